"""Flash, RAM and cycles of an emitted translator on a Cortex-M4: ``python -m tests.benchmarks.cortex_m [PLAN]``.

Without a plan the built-in demo's is taken, with its captures as traffic; ``everything`` stands for the demo's with all
that the language has beside it (`tests.emit.everything`). The image is built by
``arm-none-eabi-gcc -Os`` and run by qemu one instruction at a time; each executed instruction is weighed by the
cycles that the core's manual gives it (Arm Cortex-M4 Technical Reference Manual, "Instruction set summary"; values
from memory), every range at its upper end: taken branches refill the pipeline in 3, loads and stores never pair,
divisions take 12. Memory without wait states is assumed: flash wait states come on top where a part has them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from swapbridge.core.errors import MissingToolError
from swapbridge.core.toolchain import STRICT_FLAGS, build
from swapbridge.emit.emit_c import emit_c
from swapbridge.plan.plan import Plan
from swapbridge.plan.python.translator import Translator
from swapbridge.plan.serialise import plan_from_json
from tests.emit.demo_swap import Frames, demo_frames, demo_plan
from tests.emit.everything import everything_plan

TARGET_FLAGS = ("-Os", "-mcpu=cortex-m4", "-mthumb", "-ffunction-sections", "-fdata-sections")
FLASH_TARGET, RAM_TARGET, CYCLES_TARGET = 24 * 1024, 4 * 1024, 4000

LINKER_SCRIPT = """
MEMORY { flash (rx) : ORIGIN = 0, LENGTH = 4M  ram (rwx) : ORIGIN = 0x20000000, LENGTH = 4M }
SECTIONS {
    .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) . = ALIGN(4); } > flash
    .bss (NOLOAD) : { *(.data*) *(.bss*) *(COMMON) } > ram
    /DISCARD/ : { *(.ARM.exidx*) *(.ARM.attributes) *(.comment) }
}
"""

START = """
#include <stdint.h>
extern void reset(void);
__attribute__((section(".vectors"), used)) static void *const vectors[2] = {(void *)0x20400000, (void *)reset};
"""

# Runs the calls that stand in `calls` (records as the host harness takes them) between two marks, and says how deep
# the stack was: what it had painted and is painted no more.
RUNNER = """
#include "bridge.h"
#include "calls.h"

void mark_begin(void);
void mark_end(void);
void reset(void);

__attribute__((noinline)) void mark_begin(void) { __asm__ volatile("nop"); }
__attribute__((noinline)) void mark_end(void) { __asm__ volatile("nop"); }

static bridge_state translator;

static void semihosting(uint32_t operation, uint32_t argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register uint32_t r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

static void say(const char *words, uint32_t number)
{
    static char line[64];
    uint32_t i = 0U, digit;
    while (*words != 0) {
        line[i++] = *words++;
    }
    for (digit = 1000000000U; digit > 0U; digit /= 10U) {
        line[i++] = (char)('0' + (number / digit) % 10U);
    }
    line[i++] = '\\n';
    line[i] = 0;
    semihosting(4U, (uint32_t)line);
}

static uint32_t number_at(const uint8_t *c)
{
    return (uint32_t)c[0] | ((uint32_t)c[1] << 8) | ((uint32_t)c[2] << 16) | ((uint32_t)c[3] << 24);
}

void reset(void)
{
    uint32_t *const deepest = (uint32_t *)0x203F8000;
    uint32_t *paint, i, place = 0U;
    uint32_t here;
    __asm__ volatile("mov %0, sp" : "=r"(here));
    for (paint = deepest; (uint32_t)paint < here - 64U; paint++) {
        *paint = 0xA5A5A5A5U;
    }
    for (paint = (uint32_t *)(void *)&translator; paint < (uint32_t *)(void *)(&translator + 1); paint++) {
        *paint = 0U;
    }
    bridge_init(&translator);
    for (i = 0U; i < CALL_COUNT; i++) {
        static bridge_frame sent;
        const uint8_t *const c = &calls[place];
        const uint32_t time_us = number_at(c);
        const uint32_t word = number_at(c + 4);
        mark_begin();
        if (c[9] == 0U) {
            (void)bridge_on_frame(&translator, c[8], word, c + 12, c[10], time_us);
        } else if (c[9] == 1U) {
            (void)bridge_poll(&translator, time_us, &sent);
        } else {
            (void)bridge_next_poll_us(&translator, time_us);
        }
        mark_end();
        place += 12U + c[10];
    }
    for (paint = deepest; *paint == 0xA5A5A5A5U; paint++) {
    }
    say("stack ", here - (uint32_t)paint);
    say("state ", (uint32_t)sizeof translator);
    semihosting(0x18U, 0x20026U);
    for (;;) {
    }
}
"""

# The example main with drivers that do nothing: what a board's image holds besides its own drivers.
DRIVERS = """
#include "bridge.h"
uint32_t driver_now_us(void);
bool driver_receive(uint8_t bus, bridge_frame *frame);
bool driver_send(const bridge_frame *frame);
void hook_watchdog_kick(void);
void hook_sleep(void);
void board_run(void);
void reset(void);
uint32_t driver_now_us(void) { return *(volatile uint32_t *)0x40000000; }
bool driver_receive(uint8_t bus, bridge_frame *frame) { (void)bus; (void)frame; return false; }
bool driver_send(const bridge_frame *frame) { return frame->length > 0U; }
void hook_watchdog_kick(void) {}
void hook_sleep(void) {}
void reset(void) { board_run(); }
"""


class Record(NamedTuple):
    """One call: kind 0 a frame, 1 poll, 2 next_poll."""

    kind: int
    time_us: int
    bus: int = 0
    word: int = 0
    data: bytes = b""

    def packed(self) -> bytes:
        head = self.time_us.to_bytes(4, "little") + self.word.to_bytes(4, "little")
        return head + bytes((self.bus, self.kind, len(self.data), 0)) + self.data


class Report(NamedTuple):
    """What was measured; cycles are the worst of any one call, by kind."""

    flash_bytes: int
    state_bytes: int
    stack_bytes: int
    calls: int
    cycles: dict[str, int]
    mean_cycles: dict[str, float]
    worst_number: dict[str, int]


KINDS = ("on_frame", "poll", "next_poll_us")


def tool(name: str, package: str) -> str:
    """Path of a program.

    Raises
    ------
    MissingToolError
        It is not installed.
    """
    found = shutil.which(name)
    if found is None:
        raise MissingToolError(f"{name} is not on the PATH: apt install {package}")
    return found


def measure(plan: Plan, records: Sequence[Record]) -> Report:
    """Build the translator for a Cortex-M4, run the calls, weigh every instruction."""
    compiler = tool("arm-none-eabi-gcc", "gcc-arm-none-eabi libnewlib-arm-none-eabi")
    files = emit_c(plan)
    translator = {name: files[name] for name in ("bridge.h", "bridge.c")}
    link = ("-nostartfiles", "--specs=nano.specs", "-Wl,--gc-sections", "-Wl,-T,place.ld")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "place.ld").write_text(LINKER_SCRIPT)
        build(translator | {"bridge_board.c": files["bridge_board.c"]}, "check.o", folder,
              (*STRICT_FLAGS, *TARGET_FLAGS, "-r", "-nostdlib"), compiler)  # fmt: skip
        board = build(
            translator | {"bridge_board.c": files["bridge_board.c"], "start.c": START, "drivers.c": DRIVERS},
            "board.elf", folder, ("-std=c99", *TARGET_FLAGS, *link), compiler,
        )  # fmt: skip
        flash = int(_output("arm-none-eabi-size", board).splitlines()[1].split()[0])
        data = b"".join(r.packed() for r in records)
        rows = "\n".join(", ".join(map(str, data[i : i + 32])) + "," for i in range(0, len(data), 32))
        calls = f"enum {{ CALL_COUNT = {len(records)} }};\nstatic const uint8_t calls[{len(data)}] = {{\n{rows}\n}};\n"
        image = build(
            translator | {"calls.h": calls, "runner.c": RUNNER, "start.c": START},
            "run.elf", folder, ("-std=gnu99", *TARGET_FLAGS, *link), compiler,
        )  # fmt: skip
        code = Code(_output("arm-none-eabi-objdump", "-d", image))
        cycles, said = _run(image, code)
    if len(cycles) != len(records):
        raise RuntimeError(f"{len(cycles)} of {len(records)} calls were seen: {said}")
    by_kind = {k: [(c, i) for i, (c, r) in enumerate(zip(cycles, records, strict=True)) if r.kind == n]
               for n, k in enumerate(KINDS)}  # fmt: skip
    words = dict(re.findall(r"(stack|state) (\d+)", said))
    return Report(
        flash,
        int(words["state"]),
        int(words["stack"]),
        len(records),
        {k: max(v)[0] for k, v in by_kind.items() if v},
        {k: sum(c for c, _ in v) / len(v) for k, v in by_kind.items() if v},
        {k: max(v)[1] for k, v in by_kind.items() if v},
    )


def _output(name: str, *arguments: str | Path) -> str:
    command = [tool(name, "binutils-arm-none-eabi"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=120).stdout


class Code:
    """What the disassembly says of each address: length, cycles where the next one follows, cycles where it jumps."""

    def __init__(self, listing: str) -> None:
        self.weights: dict[int, tuple[int, int, int]] = {}
        self.marks: dict[str, int] = {}
        for line in listing.splitlines():
            head = re.match(r"([0-9a-f]+) <(\w+)>:", line)
            if head:
                self.marks[head[2]] = int(head[1], 16)
            row = re.match(r"\s*([0-9a-f]+):\s+([0-9a-f]{4}(?: [0-9a-f]{4})?)\s+(\S+)\s*(.*)", line)
            if row:
                self.weights[int(row[1], 16)] = (len(row[2].replace(" ", "")) // 2, *weigh(row[3], row[4]))


def weigh(mnemonic: str, operands: str) -> tuple[int, int]:
    """Cycles of an instruction, and of the same when it jumps: the upper end of what the manual gives."""
    refill = 3
    base = mnemonic.split(".")[0]
    registers = _register_count(operands)
    if re.match(r"(push|pop|ldm|stm|vldm|vstm)", base):
        return 1 + registers, 1 + registers + refill
    if re.match(r"(ldrd|strd)", base):
        return 3, 3 + refill
    if re.match(r"(ldr|str)", base):
        return 2, 2 + refill
    if re.match(r"(udiv|sdiv)", base):
        return 12, 12
    if base in ("tbb", "tbh"):
        return 2 + refill, 2 + refill
    if re.match(r"(mla|mls|umlal|smlal)", base):
        return 2, 2
    return 1, 1 + refill


def _register_count(operands: str) -> int:
    inside = re.search(r"\{(.*)\}", operands)
    if inside is None:
        return 1
    count = 0
    for part in inside[1].split(","):
        ends = re.findall(r"r(\d+)", part)
        count += int(ends[1]) - int(ends[0]) + 1 if len(ends) == 2 else 1
    return count


def _run(image: Path, code: Code) -> tuple[list[int], str]:
    """Cycles of each call, and what the image said."""
    command = [
        tool("qemu-system-arm", "qemu-system-arm"), "-M", "mps2-an386", "-display", "none", "-monitor", "none",
        "-serial", "none", "-semihosting-config", "enable=on,target=native", "-kernel", str(image),
        "-singlestep", "-d", "exec,nochain", "-D", "/dev/stdout",
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as emulator:
        assert emulator.stdout is not None
        assert emulator.stderr is not None
        cycles, said = _weigh_trace(emulator.stdout, code)
        said += emulator.stderr.read()
    return cycles, said


def _weigh_trace(lines: Iterable[str], code: Code) -> tuple[list[int], str]:
    begin, end = code.marks["mark_begin"], code.marks["mark_end"]
    cycles: list[int] = []
    other: list[str] = []
    total, counting = 0, False
    before: tuple[int, int, int] | None = None
    place = 0
    for address in _addresses(lines, other):
        if before is not None and counting:
            size, straight, jump = before
            total += straight if address == place + size else jump
        if address == begin:
            total, counting = 0, True
        elif address == end:
            cycles.append(total)
            counting = False
        before, place = code.weights.get(address, (2, 1, 4)), address
    return cycles, "".join(other)


def _addresses(lines: Iterable[str], other: list[str]) -> Iterator[int]:
    for line in lines:
        if line.startswith("Trace "):
            yield int(line.split("/", 2)[1], 16)
        else:
            other.append(line)


def demo_records(plan: Plan, frames: Frames, count: int) -> list[Record]:
    """Calls of a caller that is on time, then of one that comes late, so that as much as can be is due at once.

    Stretches of the demo's traffic around its busiest moments: wake-up, cranking, running.
    """
    translator = Translator(plan)
    out: list[Record] = []
    clock = 0
    for number, (time_us, bus, word, data) in enumerate(frames.rows()):
        late = (time_us // 1_000_000) % 10 == 9
        while number and not late:
            ahead = (translator.next_poll(clock) - clock) & 0xFFFF_FFFF
            if clock + ahead > time_us:
                break
            clock += ahead
            translator.poll(clock)
            out += [Record(1, clock), Record(2, clock)]
        clock = time_us
        translator.on_frame(bus, word, data, clock)
        out.append(Record(0, time_us, bus, word, data))
    third = count // 3
    starts = [0, len(out) // 4, 3 * len(out) // 4]
    return [record for start in starts for record in out[start : start + third]]


def main() -> None:
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    if wanted == "everything":
        plan = everything_plan()
    else:
        plan = plan_from_json(Path(wanted).read_text(encoding="utf-8")) if wanted else demo_plan()
    records = demo_records(plan, demo_frames(demo_plan()), 30_000)
    report = measure(plan, records)
    compiler = _output("arm-none-eabi-gcc", "--version").splitlines()[0]
    print(f"{compiler}, {' '.join(TARGET_FLAGS[:3])}; {report.calls:,} calls of the demo's traffic")
    print(f"flash     {report.flash_bytes:6,} bytes of {FLASH_TARGET:,}: translator, example main, vectors, run time")
    ram = report.state_bytes + report.stack_bytes
    print(f"RAM       {ram:6,} bytes of {RAM_TARGET:,}: state {report.state_bytes:,}, stack {report.stack_bytes:,}")
    for kind in KINDS:
        print(
            f"{kind:13}{report.cycles[kind]:6,} cycles of {CYCLES_TARGET:,} in the worst call,"
            f" {report.mean_cycles[kind]:,.0f} on average"
        )


if __name__ == "__main__":
    main()
