"""Captures as numpy columns, stimulus tracks, log readers and writers."""

from swapbridge.capture.capture import (
    BIT_RATE_SWITCH,
    ERROR,
    EXTENDED,
    FD,
    REMOTE,
    SENT,
    Capture,
    FrameKey,
    ReadNotes,
)
from swapbridge.capture.read import FORMS, read_blocks, read_capture
from swapbridge.capture.stimulus import Channel, StimulusTrack, read_stimulus, write_stimulus
from swapbridge.capture.write import log_text, write_capture, write_captures

__all__ = [
    "BIT_RATE_SWITCH",
    "ERROR",
    "EXTENDED",
    "FD",
    "FORMS",
    "REMOTE",
    "SENT",
    "Capture",
    "Channel",
    "FrameKey",
    "ReadNotes",
    "StimulusTrack",
    "log_text",
    "read_blocks",
    "read_capture",
    "read_stimulus",
    "write_capture",
    "write_captures",
    "write_stimulus",
]
