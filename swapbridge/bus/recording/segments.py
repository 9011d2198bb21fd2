"""Bus room: a recording on disk that survives a killed process, a power cut and a full disk.

Frames go as text lines into segment files that are only ever appended to and are forced to disk twice a second or
more; a file therefore always reads up to its last whole line. A name that exists is never written over.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from swapbridge.bus.recording.script import NOTE_CHANNEL, MarkValue, ScriptMark
from swapbridge.capture.naming import ANSWERS_ENDING, STIMULUS_ENDING
from swapbridge.capture.python_can import can
from swapbridge.core.errors import InputError
from swapbridge.core.files import refuse_device

ERROR_FRAME = 0x2000_0080
"""How the text form of a log says 'error frame' (linux/can.h, CAN_ERR_FLAG, with the bus-error class)."""
STIMULUS_HEADER = "time_s,channel,value,unit\n"
ANSWERS_HEADER = "asked_s,answered_s,channel,value,unit\n"


class DiskFullError(Exception):
    """The disk took no more; the file ends with its last whole line. `kept` lines of the last batch are in it."""

    def __init__(self, path: str, kept: int = 0) -> None:
        super().__init__(path)
        self.kept = kept


def frame_line(time_ns: int, bus: str, message: can.Message, sent: bool) -> str:
    """One frame as a line of a text log: ``(seconds.micros) bus ID#DATA``, with a T behind it when we sent it."""
    identifier = message.arbitration_id
    if message.is_error_frame:
        name, body = f"{ERROR_FRAME | identifier & 0x1FFF_FFFF:08X}", bytes(message.data).hex().upper()
    else:
        name = f"{identifier:08X}" if message.is_extended_id else f"{identifier:03X}"
        if message.is_remote_frame:
            body = f"R{message.dlc}" if message.dlc else "R"
        elif message.is_fd:
            flags = message.bitrate_switch | message.error_state_indicator << 1
            body = f"#{flags:X}{message.data.hex().upper()}"
        else:
            body = message.data.hex().upper()
    return f"({_seconds(time_ns)}) {bus} {name}#{body}{' T' if sent else ''}\n"


def stimulus_lines(marks: Iterable[ScriptMark]) -> str:
    """Marks as rows of a stimulus file, on the recording's own clock; notes are comment lines."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for mark in marks:
        when = _seconds(mark.time_ns)
        if mark.channel == NOTE_CHANNEL:
            text.write(f"# {when} {mark.value}\n")
        else:
            writer.writerow([when, mark.channel, _value(mark.value), mark.unit])
    return text.getvalue()


def answer_lines(marks: Iterable[ScriptMark]) -> str:
    """A scan tool's values with the times of request and answer."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for mark in marks:
        writer.writerow([_seconds(mark.asked_ns), _seconds(mark.time_ns), mark.channel, _value(mark.value), mark.unit])
    return text.getvalue()


def stall_line(time_ns: int, stood_ns: int) -> str:
    """A log line that is no frame, as a note to the reader: time stamps here may be late."""
    return (
        f"# ({_seconds(time_ns)}) the recorder stalled for {stood_ns / 1e6:.0f} ms: time stamps here may be that late\n"
    )


def _seconds(time_ns: int) -> str:
    micros = time_ns // 1000
    return f"{micros // 1_000_000}.{micros % 1_000_000:06d}"


def _value(value: MarkValue) -> str:
    return value if isinstance(value, str) else f"{value:.12g}"


class AppendFile:
    """A text file that only grows, a batch at a time, each batch whole or not at all in whole lines."""

    def __init__(self, path: Path) -> None:
        refuse_device(path)
        self.path = path
        self.size = 0
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
            self._descriptor = os.open(path, flags, 0o644)
        except OSError as error:
            raise InputError(f"{path} can't be written ({error.strerror}): name another place") from None
        _settle_folder(path.parent)

    def append(self, text: str) -> None:
        """Write whole lines and force them to disk.

        Raises
        ------
        DiskFullError
            Nothing more fits; what did not fit was taken back to a whole line.
        """
        data = text.encode()
        try:
            done = 0
            while done < len(data):
                done += os.write(self._descriptor, data[done:])
            os.fsync(self._descriptor)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
                raise
            whole = data.rfind(b"\n", 0, done) + 1
            os.ftruncate(self._descriptor, self.size + whole)
            self.size += whole
            raise DiskFullError(str(self.path), data.count(b"\n", 0, whole)) from None
        self.size += len(data)

    def close(self) -> None:
        os.close(self._descriptor)


def _settle_folder(folder: Path) -> None:
    """Force a new name to disk, where the system can: else a power cut could take the whole file with it."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


class Segments:
    """The files of one recording: numbered beside each other, none ever written over.

    Parameters
    ----------
    out : Path
        Name of the first file; later segments and later recordings get ``-2``, ``-3``, ... before its ending.
    segment_bytes : int
        A segment that has grown beyond this is followed by the next.
    """

    def __init__(self, out: Path, segment_bytes: int) -> None:
        if out.suffix != ".log":
            raise InputError(f"{out}: a recording is a text log: give it the extension .log")
        try:
            out.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{out.parent} can't be created ({error.strerror}): name another folder") from None
        self._out, self._limit = out, segment_bytes
        self._file = AppendFile(free_name(out))
        self.paths: list[Path] = [self._file.path]
        self._beside: dict[str, AppendFile] = {}

    @property
    def stimulus_path(self) -> Path | None:
        """The stimulus file beside the first segment, once there is one."""
        file = self._beside.get(STIMULUS_ENDING)
        return file.path if file is not None else None

    def write(self, lines: Sequence[str]) -> None:
        """Append frames; begins the next segment when this one is large enough."""
        if not lines:
            return
        if self._file.size >= self._limit:
            self._file.close()
            self._file = AppendFile(free_name(self._out))
            self.paths.append(self._file.path)
        self._file.append("".join(lines))

    def write_marks(self, marks: Sequence[ScriptMark]) -> None:
        """Append rows to the stimulus file, and what a scan tool answered also to a file with both its times."""
        if marks:
            self._append(STIMULUS_ENDING, STIMULUS_HEADER, stimulus_lines(marks))
        answers = [mark for mark in marks if mark.asked_ns]
        if answers:
            self._append(ANSWERS_ENDING, ANSWERS_HEADER, answer_lines(answers))

    def _append(self, ending: str, header: str, text: str) -> None:
        if ending not in self._beside:
            self._beside[ending] = AppendFile(self.paths[0].with_suffix(ending))
            self._beside[ending].append(header)
        self._beside[ending].append(text)

    def close(self) -> None:
        for file in (self._file, *self._beside.values()):
            file.close()


def free_name(out: Path) -> Path:
    """The first of ``NAME.log``, ``NAME-2.log``, ... that does not exist, nor a stimulus file of its name."""
    number = 1
    while True:
        path = out if number == 1 else out.with_name(f"{out.stem}-{number}{out.suffix}")
        if not any(path.with_suffix(ending).exists() for ending in (path.suffix, STIMULUS_ENDING, ANSWERS_ENDING)):
            return path
        number += 1
