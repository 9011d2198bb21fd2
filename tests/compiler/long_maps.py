"""The invented J1939 donor with messages of more than eight bytes: configuration, DM1, one that the cab sends."""

from __future__ import annotations

from swapbridge.core import j1939
from swapbridge.signalmap.dbc_read import parse_map
from tests.compiler.group_maps import BRIDGE, DONOR_TEXT, MAPS

EC1, DM1, COMPONENT = 0xFEE3, j1939.DM1, 0xFEEB


def _frame_id(number: int, source: int, priority: int = 6) -> int:
    return j1939.Identifier(priority, number, source).word


EC1_ID, DM1_ID, CAB_ID = _frame_id(EC1, 0), _frame_id(DM1, 0), _frame_id(COMPONENT, 49)
LONG_TEXT = DONOR_TEXT.replace(
    "BO_ 291 PLAIN",
    f"""BO_ {EC1_ID} EC1: 39 ENGINE
 SG_ IdleSpeed : 0|16@1+ (0.125,0) [0|8031.875] "rpm" CAB
 SG_ ReferenceTorque : 152|16@1+ (1,0) [0|64255] "Nm" CAB
BO_ {DM1_ID} DM1: 8 ENGINE
 SG_ Stop : 4|2@1+ (1,0) [0|3] "" CAB
BO_ {CAB_ID} CabReport: 20 CAB
 SG_ Wish : 0|16@1+ (0.1,0) [0|6425.5] "Nm" ENGINE
 SG_ Late : 144|16@1+ (0.1,0) [0|6425.5] "Nm" ENGINE
BO_ 291 PLAIN""",
).replace(
    'BA_ "GenMsgCycleTime" BO_ 2364540158 20;',
    f"""BA_ "GenMsgCycleTime" BO_ 2364540158 20;
BA_ "GenMsgCycleTime" BO_ {EC1_ID} 5000;
BA_ "GenMsgCycleTime" BO_ {DM1_ID} 1000;
BA_ "GenMsgCycleTime" BO_ {CAB_ID} 1000;
BA_ "SwapRole" SG_ {EC1_ID} ReferenceTorque "reference_torque";""",
)
LONG_MAPS = {**MAPS, "donor": parse_map(LONG_TEXT, "donor.dbc")}
HEARS = BRIDGE.replace(
    'RoadSpeed = { value = "donor.CCVS.RoadSpeed"',
    'RoadSpeed = { value = "clamp(donor.EC1.ReferenceTorque / 20 Nm * 1 km/h, 0 km/h, 500 km/h)"',
).replace('value = "donor.CCVS.Brake"', 'value = "donor.DM1.Stop"')
SAYS = """
[[messages]]
send = "donor.CabReport"
from = 49
rest = "not available"
[messages.signals]
Late = { value = "clamp(host.GearboxRequest.Reduce, 0 Nm, 6425.5 Nm)", fallback = "0 Nm", role = "status" }
"""


def announced(number: int, payload: bytes, source: int = 0, to: int = 255) -> list[tuple[int, bytes]]:
    """A long message as its frames: control, then the packets."""
    count = (len(payload) + 6) // 7
    head = bytes([32 if to == 255 else 16, *len(payload).to_bytes(2, "little"), count, 0xFF])
    control = j1939.Identifier(7, j1939.TRANSPORT, source, to).word
    data = j1939.Identifier(7, j1939.TRANSPORT_DATA, source, to).word
    parts = [payload[n : n + 7].ljust(7, b"\xff") for n in range(0, len(payload), 7)]
    return [
        (control, head + number.to_bytes(3, "little")),
        *((data, bytes([n]) + part) for n, part in enumerate(parts, 1)),
    ]


def configuration(reference_nm: int) -> bytes:
    """An EC1 of 39 bytes with this reference torque."""
    return b"\xff" * 19 + reference_nm.to_bytes(2, "little") + b"\xff" * 18
