"""Faults of the language that stood in a user's way, one by one; expected values are worked out by hand."""

from __future__ import annotations

import pytest

from swapbridge.core.errors import InputError
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.signal_map import SignalMap
from tests.compiler.kit import DONOR, HEAD, compile_text, signal
from tests.compiler.test_refusals import with_signal
from tests.compiler.test_rest import old
from tests.compiler.twins import same_payloads

OLD = HEAD + '[[messages]]\nsend = "host.Old"\nperiod_ms = 10\nrest = "zero"\n[messages.signals]\n'


def says(text: str, slow: bytes, host: SignalMap, fast: bytes = bytes(8)) -> bytes:
    """The payload of Old for a frame of PCM_SLOW and one of PCM_FAST."""
    text = text.replace("[[messages]]", '[sources."donor.PCM_FAST"]\nverify = false\n[[messages]]', 1)
    translator = Translator(compile_text(text, host=host).plan)
    translator.on_frame(0, 0x300, slow, 0)
    translator.on_frame(0, 0x100, fast, 0)
    frames = [f for now in range(0, 41_000, 10_000) for _ in range(20) if (f := translator.poll(now)) is not None]
    assert same_payloads(text, 1, 300, host=host) > 0
    return frames[-1].data


def coolant(degrees: int) -> bytes:
    return bytes([degrees + 40, *bytes(7)])


@pytest.mark.parametrize(
    ("degrees", "step", "expected"),
    [
        (21, "10 degF", 21.11),  # 69.8 degF is nearest to 70 degF
        (0, "10 degF", -1.11),  # 32 degF is nearest to 30 degF
        (-17, "10 degF", -17.78),  # 1.4 degF is nearest to 0 degF
        (23, "5 degC", 25.0),
        (23, "10 K", 26.85),  # 296.15 K is nearest to 300 K
    ],
)
def test_round_to_counts_from_the_zero_of_the_step(degrees: int, step: str, expected: float) -> None:
    host = old("00" * 2, "ff" * 2, signal("T", 0, 16, scale="0.01", offset="-100", unit="degC", role="oil_temperature"))
    text = OLD + f'T = "round_to(donor.PCM_SLOW.Coolant, {step})"\n'
    raw = int.from_bytes(says(text, coolant(degrees), host)[:2], "little")
    assert raw / 100 - 100 == pytest.approx(expected, abs=0.006)


def test_of_several_codes_for_not_available_the_one_that_is_named_or_all_bits_is_sent() -> None:
    codes = tuple(range(0xFB, 0x100))
    for changes, expected in (
        ({"not_available": codes}, 0xFF),
        ({"not_available": codes, "choices": {0xFE: "SNA"}}, 0xFE),
        ({"not_available": (0xFB, 0xFC)}, 0xFB),
        ({"not_available": (), "error_codes": (0xFE,)}, 0xFE),
    ):
        host = old("00", "ff", signal("V", 0, 8, unit="", role="value", **changes))
        text = OLD + 'V = { value = "min(donor.PCM_SLOW.Coolant / 1 degC + 40, 200)", fallback = "not available" }\n'
        assert says(text, bytes([255, *bytes(7)]), host)[0] == expected
        told = "'SNA'" if expected in host.messages[0].signals[0].choices else f"'invalid' (raw {expected})"
        assert told in " ".join(compile_text(text, host=host).explain.split())


@pytest.mark.parametrize("units", [("psi", "bar"), ("bar", "psi"), ("psi", "kPa"), ("hPa", "psi")])
def test_sums_of_two_units_are_made(units: tuple[str, str]) -> None:
    donor = with_signal(with_signal(DONOR, "PCM_SLOW", "Oil", unit=units[0]), "PCM_SLOW", "Fuel", unit=units[1])
    host = old("00" * 4, "ff" * 4, signal("P", 0, 32, scale="0.01", unit="kPa", role="manifold_pressure"))
    for value in ("donor.PCM_SLOW.Oil + donor.PCM_SLOW.Fuel", "donor.PCM_SLOW.Oil - donor.PCM_SLOW.Fuel + 10000 kPa"):
        text = OLD + f'P = {{ value = "max({value}, 0 kPa)", fallback = "0 kPa" }}\n'
        assert same_payloads(text, 2, 300, donor, host) > 0
    lamp = OLD.replace('"zero"', '"zero"') + 'P = "0 kPa"\n'
    condition = f"donor.PCM_SLOW.Oil + donor.PCM_SLOW.Fuel > 3 {units[1]}"
    flag = old("00" * 5, "ff" * 5, signal("P", 0, 32, unit="kPa", role="value"), signal("F", 32, 1, role="status"))
    text = lamp.replace('P = "0 kPa"', f'P = {{ value = "0 kPa", fallback = "0 kPa" }}\nF = {{ value = "{condition}", '
                        'fallback = "false" }')  # fmt: skip
    assert same_payloads(text, 2, 300, donor, flag) > 0


def test_a_percentage_of_a_stated_reference_may_come_from_a_table_or_as_percent() -> None:
    host = old("00", "ff", signal("Tq", 0, 8, scale="0.5", unit="%", role="friction_torque"))
    for value in ("table(donor.PCM_SLOW.Ratio, 0: 0 %, 255: 100 %)", "as_percent(donor.PCM_SLOW.Ratio * 1 Nm, 400 Nm)"):
        text = OLD + f'Tq = {{ value = "{value}", reference = "400 Nm", fallback = "0 %" }}\n'
        assert says(text, bytes([0, 0, 0, 0, 0, 0, 0, 128]), host)[0] == (100 if "table" in value else 64)


def test_the_rounding_of_a_table_is_no_clipped_torque() -> None:
    tq = signal("Tq", 0, 16, scale="0.4", unit="%", role="actual_torque", range=("0", "100"))
    host = old("00" * 2, "ff" * 2, tq)
    text = OLD + (
        'Tq = { value = "clamp(table(donor.PCM_SLOW.Ratio, 0: 0 Nm, 255: 396 Nm), 0 Nm, 396 Nm)", '
        'reference = "396 Nm", limits = ["0 Nm", "396 Nm"], fallback = "100 %" }\n'
    )
    assert compile_text(text, host=host)
    with pytest.raises(BridgeRefused, match="too little reported torque"):
        compile_text(text.replace("0 Nm, 396 Nm)", "0 Nm, 390 Nm)"), host=host)


def test_the_number_behind_a_choice() -> None:
    host = old("00", "ff", signal("N", 0, 8, role="value"))
    text = OLD + 'N = { value = "number(donor.PCM_FAST.Mode) * 10 + 1", fallback = "99" }\n'
    for mode, expected in ((0, 1), (3, 31), (7, 99)):
        assert says(text, bytes(8), host, bytes([0, 0, 0, 0, mode << 1, 0, 0, 0]))[0] == expected
    with pytest.raises(BridgeRefused, match=r"number takes a signal that is a list of choices"):
        compile_text(OLD + 'N = { value = "number(donor.PCM_SLOW.Ratio)", fallback = "9" }\n', host=host)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (HEAD + '[constants]\nmin = "3 rpm"\n', "'min' is a reserved word"),
        (HEAD + '[constants]\ntrue = "3 rpm"\n', "'true' is a reserved word"),
        (HEAD + '[values]\ndelay = "true"\n', "'delay' is a reserved word"),
        (HEAD + '[values]\na = "not b"\nb = "a or true"\n', "is defined by itself; remove the circular reference"),
        (HEAD + '[values]\na = "a + 1"\n', "'a' is defined by itself"),
        (HEAD.replace('name = "test swap"', "step_ms = 0.001"), r"step_ms = 0.001 is out of range; write 1 to 1000"),
        (HEAD.replace('name = "test swap"', "step_ms = 1001"), r"step_ms = 1001 is out of range"),
    ],
)
def test_what_was_accepted_in_silence_is_refused(text: str, reason: str) -> None:
    with pytest.raises((BridgeRefused, InputError), match=reason):
        compile_text(text)


def test_frames_passed_between_added_nodes_are_told() -> None:
    text = HEAD.replace('"inline"', '"added-node"') + '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["777"]\n'
    assert any("on both the translator is only an added node" in note for note in compile_text(text).warnings)
    assert not any("added node" in note for note in compile_text(text.replace('"added-node"', '"inline"')).warnings)
