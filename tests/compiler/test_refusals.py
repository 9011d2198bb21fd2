"""Every check before anything runs, with a bridge file that it refuses: what the message says, and where."""

from __future__ import annotations

import dataclasses
import re
from fractions import Fraction as F
from pathlib import Path

import pytest

from swapbridge.compiler.compile import compile_bridge
from swapbridge.core.errors import InputError
from swapbridge.core.integrity import Checksum, Crc
from swapbridge.core.layout import Layout
from swapbridge.language.bridge_file import BridgeRefused
from swapbridge.language.reading import load_bridge, parse_bridge
from swapbridge.plan.python.translator import Translator
from swapbridge.signalmap.dbc_write import save_map
from swapbridge.signalmap.signal_map import MapMessage, MapNode, SignalMap
from tests.compiler.kit import DONOR, HEAD, HOST, compile_text, signal

ACK = """
[[messages]]
send = "host.Ack"
period_ms = 20
rest = "zero"
[messages.signals]
"""
TORQUE = """
[[messages]]
send = "host.EngineTorque"
[messages.signals]
"""
TO_DONOR = """
[[messages]]
send = "donor.VSC_D"
rest = "zero"
[messages.signals]
"""
OK_STATE = "State = { value = \"choose(donor.PCM_FAST.Run, 'Driving', 'Stopped')\", fallback = \"'Stopped'\" }\n"


def refusal(text: str, donor: SignalMap = DONOR, host: SignalMap = HOST) -> str:
    with pytest.raises(InputError if "TOML" in text else (BridgeRefused, InputError)) as caught:
        compile_text(text, donor, host)
    return str(caught.value)


def with_signal(signal_map: SignalMap, message: str, name: str, **changes: object) -> SignalMap:
    """The map with one signal changed."""
    messages = []
    for m in signal_map.messages:
        signals = tuple(
            dataclasses.replace(s, **changes) if (m.name, s.name) == (message, name) else s  # type: ignore[arg-type]
            for s in m.signals
        )
        messages.append(dataclasses.replace(m, signals=signals))
    return dataclasses.replace(signal_map, messages=tuple(messages))


CASES = {
    "unknown signal": (ACK + 'State = "donor.PCM_FAST.Sped"', r"no signal 'Sped'; it has RPM|did you mean"),
    "unknown message": (ACK + 'State = "donor.PCM_FASR.Run"', r"no message 'PCM_FASR'; did you mean PCM_FAST"),
    "unknown bus": (ACK + 'State = "donr.PCM_FAST.Run"', r"bus 'donr' is not known"),
    "unknown name": (ACK + 'Brake = "runing"', r"'runing' is not known"),
    "unknown function": (ACK + 'Brake = "debonce(true, 1 s)"', r"no function 'debonce'; did you mean debounce"),
    "unknown unit": (ACK + 'Brake = "donor.PCM_FAST.RPM > 3 rpn"', r"unit 'rpn' is not known"),
    "kinds disagree": (
        ACK + 'Brake = "donor.PCM_FAST.RPM > 3 kPa"',
        r"pressure \(kPa\) can't be used as rotational speed",
    ),
    "unit needed": (ACK + 'Brake = "donor.PCM_FAST.RPM > 400"', r"a plain number can't be used as rotational speed"),
    "different zeros": (ACK + 'Brake = "donor.PCM_SLOW.Coolant + 5 degF > 0 degC"', r"different zeros"),
    "no sense of a product": (ACK + 'Brake = "donor.PCM_FAST.RPM * donor.PCM_FAST.RPM > 0 rpm"', r"has no unit here"),
    "divisor may be 0": (
        TORQUE + 'Actual = "donor.PCM_FAST.Tq / donor.PCM_SLOW.Ratio"\nPedal = "0 %"',
        r"the divisor can be 0 \(it goes from 0 to about 255.996094\); state the result for that case: a / b else 0",
    ),
    "number as condition": (ACK + 'Brake = "choose(donor.PCM_FAST.RPM, true, false)"', r"a condition is expected here"),
    "choice as number": (
        ACK + 'Brake = "donor.PCM_FAST.Mode + 1 > 0"',
        r"a choice can't be used in arithmetic; turn it",
    ),
    "unknown choice": (
        ACK + "Brake = \"donor.PCM_FAST.Mode == 'Idel'\"",
        r"'Idel' is not one of its choices; did you mean Idle",
    ),
    "choices without counterpart": (
        ACK + 'State = "donor.PCM_FAST.Mode"',
        r"choices 'Off', 'Crank', 'Idle', 'Drive' have no counterpart",
    ),
    "two senders": (
        ACK + OK_STATE + 'Brake = "true"' + ACK + OK_STATE + 'Brake = "true"',
        r"120 would have two senders on host",
    ),
    "sent already": (
        HEAD.replace('absent = ["ECM"]', "") + ACK + 'State = "0"\nBrake = "0"',
        r"ECM already sends 120 on host, and an identifier has only one sender; if ECM is gone",
    ),
    "passed to its sender": (
        HEAD + '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["600"]\n',
        r"BCM already sends 600 on host",
    ),
    "made and passed": (
        ACK + OK_STATE + 'Brake = "true"\n[[pass]]\nfrom = "donor"\nto = "host"\nids = ["120"]\n',
        r"120 would have two senders on host: the plan both makes it and passes it",
    ),
    "present brake module": (
        HEAD.replace('absent = ["VSC"]', "") + TO_DONOR + 'Brake = "host.Wheels.Brake"',
        r"VSC already sends 220 on donor",
    ),
    "invented status of a brake module": (
        TO_DONOR + 'Brake = "false"',
        r"an invented status of a braking module is never sent",
    ),
    "range": (
        TORQUE + 'Actual = "donor.PCM_FAST.Tq * 4"\nPedal = "0 %"',
        r"\(donor.PCM_FAST.Tq \* 4\) goes from -2500 to 2600 Nm, the signal from -500 to 1547 Nm; "
        r"clamp it: clamp\(\.\.\., -500 Nm, 1547 Nm\)",
    ),
    "torque that saturates low": (
        TORQUE + 'Actual = "clamp(donor.PCM_FAST.Tq, -500 Nm, 400 Nm)"\nPedal = "0 %"',
        r"an actual torque up to 650 Nm would be reported as 400 Nm at most",
    ),
    "torque limits that cut low": (
        TORQUE
        + 'Actual = { value = "max(donor.PCM_FAST.Tq, -500 Nm)", limits = ["-500 Nm", "300 Nm"] }\nPedal = "0 %"',
        r"an actual torque up to 650 Nm would be reported as 300 Nm at most",
    ),
    "missing limits": (
        TO_DONOR + 'Reduce = { value = "host.Wheels.Reduce", fallback = "0 Nm" }',
        r"a torque or throttle request needs limits",
    ),
    "missing fallback": (
        ACK + "State = \"lookup(donor.PCM_FAST.Mode, 'Off': 'Stopped', else 'Driving')\"",
        r"it has no fallback: what should be sent",
    ),
    "no 'not available' code": (ACK + OK_STATE.replace("\"'Stopped'\"", '"not available"'), r"no 'invalid' value"),
    "fallback outside": (
        TORQUE + 'Actual = { value = "max(donor.PCM_FAST.Tq, -500 Nm)", fallback = "5000 Nm" }\nPedal = "0 %"',
        r"the fallback of host.EngineTorque.Actual is outside the range of its bits",
    ),
    "signals left out": (
        ACK.replace('rest = "zero"', "") + 'Brake = "true"',
        r"host.Ack.State: it has no line: what should be sent",
    ),
    "own checksum": (TORQUE + 'Actual = "0 Nm"\nPedal = "0 %"\nXor = "3"', r"is a checksum, which is always computed"),
    "unknown role": (
        ACK + OK_STATE + 'Brake = { value = "true", role = "brake_swich" }',
        r"role 'brake_swich' is not known \(near: brake_switch",
    ),
    "driver demand to an engine": (
        HEAD.replace('absent = ["VSC"]', 'absent = ["VSC"]\nholds_engine = true')
        + TO_DONOR
        + 'Reduce = { value = "min(host.Wheels.Reduce, 400 Nm)", role = "driver_demand", fallback = "0 Nm" }',
        r"no driver demand is ever sent to an engine computer; wire the pedal",
    ),
    "odometer": (
        ACK + OK_STATE + 'Brake = { value = "true", role = "distance" }',
        r"an odometer reading is never sent",
    ),
    "constant crash": (
        ACK + OK_STATE + 'Brake = { value = "false", role = "crash" }',
        r"a constant 'no crash' is never sent",
    ),
    "brake command": (
        ACK + OK_STATE + 'Brake = { value = "donor.PCM_FAST.Run", role = "brake_command", fallback = "0" }',
        r"a command to a brake module",
    ),
    "immobiliser": (
        ACK + OK_STATE + 'Brake = { value = "true", role = "immobiliser" }',
        r"an immobiliser's answer is never sent",
    ),
    "role and unit": (
        TORQUE + 'Actual = { value = "0 Nm", role = "vehicle_speed" }\nPedal = "0 %"',
        r"its role vehicle_speed is a speed, its unit Nm a torque",
    ),
    "asleep": (
        ACK.replace("period_ms = 20", 'period_ms = 20\nstates = ["asleep", "run"]') + OK_STATE + 'Brake = "true"',
        r"would be sent while the bus sleeps",
    ),
    "network management without a key": (
        ACK.replace("period_ms = 20", "period_ms = 20\nnetwork_management = true") + OK_STATE + 'Brake = "true"',
        r"network management, which must stop",
    ),
    "when is not known": (
        '[[messages]]\nsend = "host.EngineInfo"\n[messages.signals]\nCode = "1"\nRef = "500 Nm"\n',
        r"when host.EngineInfo is sent is not known",
    ),
    "age is not known": (
        ACK.replace("period_ms = 20", 'on_arrival = ["host.EngineInfo"]\ngap_ms = 1') + OK_STATE + 'Brake = "true"',
        r"the age limit of host.EngineInfo is not known",
    ),
    "its own source": (
        ACK + 'Brake = "host.Ack.Brake"\n' + OK_STATE,
        r"host.Ack.*is listened to on the same bus|age limit",
    ),
    "readiness": (
        '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "01" = "0" }\n',
        r"01 is the readiness of the real engine computer",
    ),
    "no such answer": (
        '[diagnostics]\nmode = "answer"\ntester = "host"\nanswers = { "E7" = "0" }\n',
        r"E7 is not a numeric parameter of service 01",
    ),
    "a torque called something harmless": (
        TORQUE
        + 'Actual = { value = "clamp(donor.PCM_FAST.Tq, -500 Nm, 400 Nm)", role = "status", fallback = "0 Nm" }\n'
        'Pedal = "0 %"',
        r"the map says that it is actual_torque, and a rule can't make it status; leave role out",
    ),
    "a request called something harmless": (
        TO_DONOR
        + 'Reduce = { value = "host.Wheels.Reduce", role = "value", fallback = "0 Nm", limits = ["0 Nm", "500 Nm"] }',
        r"the map says that it is torque_reduction_request, and a rule can't make it value",
    ),
    "renamed into a brake module's frame": (
        '[[pass]]\nfrom = "host"\nto = "donor"\nids = ["600"]\nas = "220"\n',
        r"would become donor.VSC_D, which comes from a braking module, and nothing in it is checked; build the message",
    ),
    "renamed into a torque": (
        '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["300"]\nas = "110"\n',
        r"would become host.EngineTorque, which carries actual_torque",
    ),
    "choice order": (ACK + "Brake = \"donor.PCM_FAST.Mode > 'Idle'\"", r"choices have no order"),
    "circle": ('[values]\na = "b"\nb = "a"\n' + ACK + 'Brake = "a"', r"is defined by itself"),
    "total without end": (ACK + 'Brake = "accumulate(donor.PCM_SLOW.Fuel) > 1 L"', r"a total grows without limit"),
    "table out of order": (ACK + 'Brake = "table(donor.PCM_FAST.RPM, 5 rpm: 1, 3 rpm: 2) > 0"', r"with x rising"),
    "table points too close": (
        ACK + 'Brake = "table(donor.PCM_FAST.RPM, 1 rpm: 1, 1.0000000000000000000000001 rpm: 2) > 0"',
        r"two points of the table are closer than the signal's resolution",
    ),
    "range upside down": (
        '[sources."donor.PCM_FAST".signals.RPM]\nrange = ["9000 rpm", "1 rpm"]\n'
        + ACK
        + 'Brake = "donor.PCM_FAST.RPM > 400 rpm"',
        r"the stated range of RPM has its upper end first",
    ),
    "no turns of a multiplexer": (
        '[[messages]]\nsend = "host.EngineMux"\nmux = []\n[messages.signals]\nOil = "0 kPa"\n',
        r"mux lists 0 turns; list 1 to 256",
    ),
    "too many turns": (
        f'[[messages]]\nsend = "host.EngineMux"\nmux = {[2] * 257}\n[messages.signals]\nOil = "0 kPa"\n',
        r"mux lists 257 turns",
    ),
    "two frames passed as one": (
        '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["300"]\nas = "333"\n'
        '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["333"]\n',
        r"333 would have two senders on host: 300 from donor is passed as 333 too",
    ),
    "a state that nothing leads to": (
        '[states]\nrun = "donor.PCM_FAST.Run"\n'
        + ACK.replace("period_ms = 20", 'period_ms = 20\nstates = ["crank", "after_run"]')
        + OK_STATE
        + 'Brake = "true"',
        r"host.Ack would never be sent: it waits for crank, after_run, a state that is never reached; define it",
    ),
    "no state": (
        ACK.replace("period_ms = 20", "period_ms = 20\nstates = []") + OK_STATE + 'Brake = "true"',
        r"would never be sent: it waits for no state",
    ),
    "an invalid code beyond the bits": (
        '[sources."donor.PCM_FAST".signals.Run]\ninvalid = [2]\n' + ACK + OK_STATE + 'Brake = "true"',
        r"2 is listed as an invalid raw value of donor.PCM_FAST.Run, whose range is 0 to 1",
    ),
    "clamp upside down": (ACK + 'Brake = "clamp(donor.PCM_FAST.RPM, 5 rpm, 3 rpm) > 0 rpm"', r"lower end is above"),
    "float": (ACK + 'Brake = "donor.PCM_MUX.Float > 0"', r"floating-point signal, which can only be copied"),
}


@pytest.mark.parametrize("name", CASES)
def test_refuses_with_place_reason_and_remedy(name: str) -> None:
    text, pattern = CASES[name]
    message = refusal(text if "[buses" in text else HEAD + text)
    matches = re.search(pattern, message) is not None
    assert matches, message
    assert message.startswith("bridge.toml:"), message
    assert ";" in message, "a remedy is missing"


def test_names_line_and_column_of_the_expression() -> None:
    text = HEAD + ACK + 'State = "0"\nBrake = "donor.PCM_FAST.Run and donor.PCM_FAST.Sped"\n'
    line = text.splitlines().index('Brake = "donor.PCM_FAST.Run and donor.PCM_FAST.Sped"') + 1
    column = text.splitlines()[line - 1].index("donor.PCM_FAST.Sped") + 1
    assert refusal(text).startswith(f"bridge.toml:{line}:{column}: ")


def test_names_the_place_within_an_inline_table_too() -> None:
    line = 'Brake = { fallback = "0", value = "1 + donor.PCM_FAST.Sped" }'
    text = HEAD + ACK + 'State = "0"\n' + line + "\n"
    wanted = (text.splitlines().index(line) + 1, line.index("donor.PCM_FAST.Sped") + 1)
    assert refusal(text).startswith(f"bridge.toml:{wanted[0]}:{wanted[1]}: ")


def test_two_signals_of_one_name_are_ambiguous() -> None:
    message = DONOR.messages[0]
    donor = SignalMap((dataclasses.replace(message, signals=(*message.signals, signal("Run", 40, 1))),), DONOR.nodes)
    assert "2 signals named 'Run'" in refusal(HEAD + ACK + 'Brake = "donor.PCM_FAST.Run"\nState = "0"', donor)


def test_an_intermediate_beyond_64_bits_names_expression_interval_and_remedy() -> None:
    wide = SignalMap(
        (MapMessage("W", 1, False, 8, (signal("A", 0, 40, unit=""), signal("B", 40, 24, unit="")), period_ms=F(10)),)
    )
    message = refusal(HEAD + ACK + 'State = "0"\nBrake = "donor.W.A * donor.W.B > 0"', wide)
    top = (2**40 - 1) * (2**24 - 1)
    assert f"(donor.W.A * donor.W.B) could exceed 64 bits (it may reach 0 to {top})" in message
    assert "range for its source" in message


def test_a_result_never_lands_on_a_reserved_code_by_accident() -> None:
    host = with_signal(HOST, "EngineTorque", "Pedal", minimum=None, maximum=None, not_available=(100,))
    message = refusal(HEAD + TORQUE + 'Actual = "0 Nm"\nPedal = "donor.PCM_FAST.Pedal"', host=host)
    assert "it can land on the reserved raw value 100 by accident" in message


def test_a_percent_torque_needs_its_reference() -> None:
    donor = with_signal(DONOR, "PCM_FAST", "Tq", reference="")
    message = refusal(HEAD + TORQUE + 'Actual = "donor.PCM_FAST.Tq"\nPedal = "0 %"', donor)
    assert "is a torque in percent, and it is not known what 100 % means" in message
    host = with_signal(HOST, "EngineTorque", "Actual", unit="%")
    assert "it is not known what 100 % means" in refusal(
        HEAD + TORQUE + 'Actual = "donor.PCM_FAST.Tq"\nPedal = "0 %"', host=host
    )


def test_a_written_number_needs_a_role() -> None:
    host = with_signal(HOST, "EngineTorque", "Pedal", role="")
    message = refusal(HEAD + TORQUE + 'Actual = "0 Nm"\nPedal = "50 %"', host=host)
    assert "a number without a role is not sent, since it might be a torque" in message


def test_a_checksum_outside_the_inputs_it_was_verified_on() -> None:
    checksum = Checksum(Layout(56, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7))), verified_bits=0xFFFF)
    host = with_signal(HOST, "EngineStatus", "Chk", checksum=checksum)
    text = HEAD + '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\n'
    assert "verified only on captures in which Running, its counter did not move" in refusal(
        text + 'Running = "donor.PCM_FAST.Run"', host=host
    )
    steady = dataclasses.replace(checksum, verified_bits=0xFF_0000_0000_FFFF | 1 << 25)
    compile_text(
        text + 'Running = "donor.PCM_FAST.Run"', host=with_signal(HOST, "EngineStatus", "Chk", checksum=steady)
    )


def test_a_possibly_authenticated_frame_is_refused() -> None:
    host = with_signal(HOST, "Ack", "Brake", authenticated=True)
    assert "looks like a message authentication code" in refusal(HEAD + ACK + 'State = "0"\nBrake = "0"', host=host)


def test_a_frame_that_triggers_itself_through_the_other_direction() -> None:
    text = (
        HEAD
        + ACK.replace("period_ms = 20", 'on_arrival = ["donor.VSC_D"]')
        + OK_STATE
        + 'Brake = "donor.PCM_FAST.Run"\n'
    )
    text += TO_DONOR.replace('rest = "zero"', 'rest = "zero"\non_arrival = ["host.Ack"]\ngap_ms = 5')
    text += 'Brake = "host.Wheels.Brake"\n'
    text += '[sources."host.Ack"]\nmax_age_ms = 100\n'
    assert "would trigger itself endlessly through the other direction" in refusal(text)


@pytest.mark.parametrize(
    "line",
    [
        'Brake = "host.EngineInfo.Code > 3"',
        'Brake = "valid(host.EngineInfo)"',
        'on_arrival = ["host.EngineInfo"]',
    ],
)
def test_an_unknown_age_limit_is_told_where_its_source_is_named(line: str) -> None:
    arrives = line.startswith("on_arrival")
    body = ACK.replace("period_ms = 20", f"{line}\ngap_ms = 1") + OK_STATE if arrives else ACK + OK_STATE
    text = HEAD + body + ('Brake = "true"\n' if arrives else line + "\n")
    number = text.splitlines().index(line) + 1
    with pytest.raises(BridgeRefused, match=rf"^bridge.toml:{number}:\d+: the age limit of host.EngineInfo is not"):
        compile_text(text)


def test_a_need_left_uncovered_is_refused(tmp_path: Path) -> None:
    save_map(DONOR, tmp_path / "donor.dbc")
    save_map(HOST, tmp_path / "host.dbc")
    list_head = '# first a wire\n[[need]]\nmodule = "starter"\nhow = "wired"\nnote = "interlock"\n\n'
    (tmp_path / "needs.toml").write_text(
        list_head + '[[need]]\nmodule = "TCM"\nbus = "host"\nid = "200"\nhow = "can"\n'
    )
    text = (HEAD + ACK + OK_STATE + 'Brake = "true"\n').replace(
        'name = "test swap"', 'name = "t"\nneeds = "needs.toml"'
    )
    for bus in ("donor", "host"):
        text = text.replace(f"[buses.{bus}]", f'[buses.{bus}]\nmap = "{bus}.dbc"')
    (tmp_path / "bridge.toml").write_text(text)
    with pytest.raises(BridgeRefused, match=r"needs.toml:7:1: TCM on host waits for 200, and nothing would send it"):
        compile_bridge(load_bridge(tmp_path / "bridge.toml"))
    (tmp_path / "needs.toml").write_text('[[need]]\nmodule = "TCM"\nbus = "body"\nid = "200"\n')
    with pytest.raises(
        BridgeRefused, match=r"needs.toml:1:1: TCM waits on bus 'body', which the bridge file does not have"
    ):
        compile_bridge(load_bridge(tmp_path / "bridge.toml"))
    (tmp_path / "needs.toml").write_text(
        '[[need]]\nmodule = "TCM"\nbus = "host"\nid = "120"\nperiod_ms = 10\nlength = 8\n'
    )
    warnings = compile_bridge(load_bridge(tmp_path / "bridge.toml")).warnings
    assert "TCM waits for 120 every 10 ms, host.Ack comes every 20 ms" in warnings
    assert "TCM waits for 120 with 8 bytes, host.Ack has 2" in warnings


def test_a_message_faster_than_its_source_warns_with_the_age_it_means() -> None:
    result = compile_text(HEAD + ACK + OK_STATE + 'Brake = "donor.PCM_SLOW.Coolant > 90 degC"')
    assert (
        "host.Ack is sent every 20 ms, but donor.PCM_SLOW comes every 100 ms: its values are up to 120 ms old"
        in result.warnings
    )


def test_resolution_loss_and_cuts_are_told_in_numbers() -> None:
    result = compile_text(
        HEAD
        + '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\n'
        + 'Speed = "min(donor.PCM_FAST.RPM, 8000 rpm)"\n'
        + 'Temp = { value = "min(donor.PCM_SLOW.Oil / 8 kPa, 250)", fallback = 250 }\n'
    )
    notes = {m.field.name: m.field.note for d in result.drafts for m in d.made}
    assert "one source step is 2 host steps" in notes["Speed"]
    assert "its source can say 0 to 16383.5 rpm, cut to 0 to 8000" in notes["Speed"]
    assert "one host step is 16 source steps" in notes["Temp"]


def test_added_load_and_waits_are_told_and_an_overload_is_refused() -> None:
    result = compile_text(HEAD + ACK + OK_STATE + 'Brake = "true"')
    assert any(w.startswith("bus host: the plan adds ") and "% load" in w for w in result.warnings)
    slow = HEAD.replace("[buses.host]", "[buses.host]\nbit_rate = 10000")
    assert "bus host would be loaded to" in refusal(slow + ACK.replace("20", "5") + OK_STATE + 'Brake = "true"')


def test_a_status_of_an_absent_module_from_a_genuine_signal_is_allowed() -> None:
    result = compile_text(HEAD + TO_DONOR + 'Brake = "host.Wheels.Brake"\nSpeed = "min(host.Wheels.Speed, 600 km/h)"')
    assert any("sent as zero: check that zero does not mean" in w for w in result.warnings)


def test_a_constant_beyond_31_bits_becomes_a_nearby_one_and_is_reported() -> None:
    donor = with_signal(DONOR, "PCM_FAST", "RPM", scale=F("0.1234567890123"))
    result = compile_text(
        HEAD
        + '[[messages]]\nsend = "host.EngineStatus"\nrest = "zero"\n[messages.signals]\n'
        + 'Speed = "min(donor.PCM_FAST.RPM, 8000 rpm)"\n',
        donor,
    )
    assert "needs more than 31 bits" in result.drafts[0].made[0].field.note
    for op in result.plan.sends[0].variants[0].block:
        assert op.kind != "const" or abs(op.value) < 1 << 62


def test_a_map_without_senders_warns_until_the_builder_says_the_sender_is_gone() -> None:
    host = SignalMap(
        tuple(dataclasses.replace(m, senders=()) if m.name == "Ack" else m for m in HOST.messages),
        (MapNode("ECM", "engine"), MapNode("TCM", "transmission")),
    )
    text = HEAD + ACK + OK_STATE + 'Brake = "true"'
    assert any("the map does not say which module sends it" in w for w in compile_text(text, host=host).warnings)
    told = text.replace("period_ms = 20", "period_ms = 20\nsender_gone = true")
    assert not any("which module sends it" in w for w in compile_text(told, host=host).warnings)


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("x = ", "is not TOML"),
        ('[bridge]\nname = 3\n[buses.a]\nplacement = "inline"\n', "name is not text in quotes"),
        ('[buses.a]\nplacement = "beside"\n', "placement 'beside' is not known; write \"inline\""),
        ('[buses.a]\nplacement = "inline"\nbitrate = 5\n', "'bitrate' is not known; did you mean 'bit_rate'"),
        ('[buses.a]\nplacement = "inline"\nbit_rate = 5\n', "the bit rate is outside"),
        (
            '[buses.a]\nplacement = "inline"\n[[messages]]\nsend = "a.B"\nperiod_ms = -1\n',
            "period_ms = -1 is out of range",
        ),
        (
            '[buses.a]\nplacement = "inline"\n[[messages]]\nsend = "a.B"\nperiod_ms = nan\n',
            "can't be represented exactly",
        ),
        ('[buses.a]\nplacement = "inline"\n[[pass]]\nfrom = "a"\nto = "b"\nids = ["GG"]\n', "is not hexadecimal"),
        (
            '[buses.a]\nplacement = "inline"\n[[messages]]\nsend = "a.B"\nstates = ["running"]\n',
            "state 'running' is not known",
        ),
        ("", "no bus is named"),
    ],
)
def test_a_file_that_says_what_none_can_say(text: str, pattern: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_bridge(text)
    assert pattern in str(caught.value)
    assert "bridge.toml" in str(caught.value)


def test_missing_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        load_bridge(tmp_path / "none.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        load_bridge(tmp_path / "b.toml")


def test_a_source_checksum_known_from_few_inputs_is_told() -> None:
    checksum = Checksum(Layout(56, 8), Crc(8, 0x1D, 0xFF, False, 0xFF, tuple(range(7)), b"\x12"), verified_bits=0xFF)
    donor = with_signal(DONOR, "PCM_FAST", "Crc", checksum=checksum)
    warnings = compile_text(HEAD + ACK + OK_STATE + 'Brake = "donor.PCM_FAST.RPM > 3 rpm"', donor).warnings
    told = [w for w in warnings if "its checksum was verified on captures" in w]
    assert len(told) == 1
    assert "RPM" in told[0]


def test_passed_frames_count_as_load() -> None:
    text = HEAD + '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["all"]\n'
    added = next(w for w in compile_text(text).warnings if w.startswith("bus host"))
    assert not added.startswith("bus host: the plan adds 0.0 % load")


def test_a_wide_rule_never_passes_what_the_plan_or_a_neighbour_sends() -> None:
    text = HEAD + ACK + OK_STATE + 'Brake = "true"\n[[pass]]\nfrom = "donor"\nto = "host"\nids = ["all"]\n'
    result = compile_text(text)
    assert "120 from donor is not passed to host, since the plan sends it there" in result.warnings
    assert "600 is not passed to host, since a module there sends it" in result.warnings
    blocked = {rule.first for rule in result.plan.passes if rule.block}
    assert {0x120, 0x600, 0x210} <= blocked


def test_a_multiplexed_source_goes_stale_after_five_of_its_own_turns() -> None:
    text = HEAD + ACK + OK_STATE + 'Brake = "donor.PCM_MUX.Volts > 12 V"\n'
    feed = next(f for f in compile_text(text).plan.feeds if f.mux_values)
    assert feed.max_age_us == 5 * 2 * 50_000


def test_limits_and_ranges_in_other_units_of_the_kind() -> None:
    text = HEAD + TORQUE + 'Actual = "within(donor.PCM_FAST.Tq, -300 [lbf ft], 450 [lbf ft])"\nPedal = "0 %"'
    note = compile_text(text).drafts[0].made[0].field.note
    assert "within 1/1000 step" in note
    oil = HEAD + '[[messages]]\nsend = "host.EngineMux"\nmux = [2]\nperiod_ms = 20\nrest = "zero"\n[messages.signals]\n'
    assert (
        "cut to 0 to about 827.370875"
        in compile_text(oil + 'Oil = "clamp(donor.PCM_SLOW.Oil, 0 psi, 120 psi)"').drafts[0].made[0].field.note
    )  # 120 psi by NIST SP 811


def test_a_renamed_frame_keeps_out_those_that_had_its_identifier() -> None:
    wide = '[[pass]]\nfrom = "{}"\nto = "host"\nids = ["all"]\n'
    rename = '[[pass]]\nfrom = "donor"\nto = "host"\nids = ["300"]\nas = "333"\n'
    result = compile_text(HEAD + rename + wide.format("donor"))
    assert "333 from donor is not passed to host, since 300 becomes 333 there" in result.warnings
    translator = Translator(result.plan)
    for word in (0x333, 0x300, 0x334):
        translator.on_frame(0, word, bytes([word & 0xFF]), 0)
    passed = [(s.word, s.data[0]) for s in iter(lambda: translator.poll(0), None)]
    assert passed == [(0x333, 0x00), (0x334, 0x34)], "the real 333 stays away"


def test_slips_in_age_limits_and_absent_modules_are_told() -> None:
    text = HEAD.replace('absent = ["ECM"]', 'absent = ["ECM", "EMC"]')
    text += '[sources."donor.PCM_FAST"]\nmax_age_ms = 10\n' + ACK + OK_STATE + 'Brake = "true"'
    compiled = "\n".join(compile_text(text).warnings)
    assert "'EMC' is said to be absent, but its map knows no such module: it has ABS, BCM, ECM, TCM" in compiled
    assert "donor.PCM_FAST comes every 10 ms and counts as stale after 10 ms: it will hardly ever be used" in compiled


@pytest.mark.parametrize("value", ["300 Nm", "choose(state == 'run', 300 Nm, 0 Nm)"])
def test_a_torque_request_from_no_source_needs_limits_too(value: str) -> None:
    donor = dataclasses.replace(DONOR, nodes=(MapNode("PCM", "engine"), MapNode("VSC", "transmission")))
    request = HEAD + TO_DONOR + f'Reduce = {{ value = "{value}", fallback = "0 Nm"'
    assert "Reduce: a torque or throttle request needs limits" in refusal(request + " }", donor)
    assert compile_text(request + ', limits = ["0 Nm", "300 Nm"] }', donor).plan.sends


def test_a_slip_among_the_sources_names_its_own_line() -> None:
    text = HEAD + '[sources."donor.PCM_FAST".signals.RPM]\ninvalid = [1]\n'
    text += '[sources."donor.PCM_FAST".signals.Rum]\ninvalid = [1]\n' + ACK + OK_STATE + 'Brake = "true"'
    line = text.splitlines().index('[sources."donor.PCM_FAST".signals.Rum]') + 1
    assert refusal(text).startswith(
        f"bridge.toml:{line}:1: message donor.PCM_FAST has no signal 'Rum'; did you mean Run"
    )


def test_what_is_left_open_is_a_signal_of_its_message_or_the_rest() -> None:
    """`prove` lists open signals as not proved; a slip in a name must not hide another one."""
    told = HEAD + TO_DONOR + 'Reduce = { value = "300 Nm", fallback = "0 Nm", limits = ["0 Nm", "300 Nm"] }'
    opened = told.replace("[messages.signals]", 'open = ["Reduce", "rest"]\n[messages.signals]')
    donor = dataclasses.replace(DONOR, nodes=(MapNode("PCM", "engine"), MapNode("VSC", "transmission")))
    assert compile_text(opened, donor).plan.sends
    assert "has no signal 'Redice' to leave open; did you mean Reduce" in refusal(
        opened.replace('"Reduce"', '"Redice"'), donor
    )
