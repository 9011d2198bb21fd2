"""An invented J1939 donor: its map as a DBC that says J1939PG, a host's map, a bridge between them, traffic."""

from __future__ import annotations

import random

from swapbridge.core import j1939
from swapbridge.signalmap.dbc_read import parse_map

_HEAD = """VERSION ""
NS_ :
BS_:
BU_: ENGINE CAB
"""

DONOR_TEXT = (
    _HEAD
    + """
BO_ 2364540158 EEC1: 8 ENGINE
 SG_ TorqueMode : 0|4@1+ (1,0) [0|15] "" CAB
 SG_ ActualTorque : 16|8@1+ (1,-125) [-125|125] "%" CAB
 SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" CAB
BO_ 2566844926 CCVS: 8 ENGINE
 SG_ RoadSpeed : 8|16@1+ (0.00390625,0) [0|250.996] "km/h" CAB
 SG_ Brake : 28|2@1+ (1,0) [0|3] "" CAB
BO_ 2566844158 ET1: 8 ENGINE
 SG_ Coolant : 0|8@1+ (1,-40) [-40|210] "degC" CAB
BO_ 2348810494 TSC1: 8 CAB
 SG_ Mode : 0|2@1+ (1,0) [0|3] "" ENGINE
 SG_ Limit : 24|8@1+ (1,-125) [-125|125] "%" ENGINE
BO_ 291 PLAIN: 8 CAB
 SG_ Byte : 0|8@1+ (1,0) [0|0] "" ENGINE
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BU_ "NmStationAddress" INT 0 255;
BA_DEF_ SG_ "SwapRole" STRING ;
BA_DEF_ SG_ "SwapReference" STRING ;
BA_DEF_DEF_ "VFrameFormat" "J1939PG";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "NmStationAddress" 254;
BA_DEF_DEF_ "SwapRole" "";
BA_DEF_DEF_ "SwapReference" "";
BA_ "NmStationAddress" BU_ ENGINE 0;
BA_ "NmStationAddress" BU_ CAB 49;
BA_ "VFrameFormat" BO_ 291 0;
BA_ "GenMsgCycleTime" BO_ 2364540158 20;
BA_ "GenMsgCycleTime" BO_ 2566844926 100;
BA_ "GenMsgCycleTime" BO_ 2566844158 1000;
BA_ "GenMsgCycleTime" BO_ 2348810494 10;
BA_ "SwapRole" SG_ 2364540158 Speed "engine_speed";
BA_ "SwapRole" SG_ 2364540158 ActualTorque "actual_torque";
BA_ "SwapReference" SG_ 2364540158 ActualTorque "1000 Nm";
BA_ "SwapRole" SG_ 2566844158 Coolant "coolant_temperature";
BA_ "SwapRole" SG_ 2566844926 RoadSpeed "vehicle_speed";
BA_ "SwapRole" SG_ 2348810494 Limit "torque_reduction_request";
VAL_ 2348810494 Mode 0 "No override" 1 "Speed control" 2 "Torque control" 3 "Limit control" ;
"""
)

HOST_TEXT = (
    _HEAD.replace("ENGINE CAB", "ECM GEARBOX")
    + """
BO_ 512 EngineStatus: 8 ECM
 SG_ Speed : 0|16@1+ (0.25,0) [0|16000] "rpm" GEARBOX
 SG_ Coolant : 16|8@1+ (1,-40) [-40|200] "degC" GEARBOX
 SG_ RoadSpeed : 24|16@1+ (0.01,0) [0|600] "km/h" GEARBOX
 SG_ BrakeState : 40|2@1+ (1,0) [0|3] "" GEARBOX
BO_ 768 GearboxRequest: 8 GEARBOX
 SG_ Reduce : 0|16@1+ (0.1,0) [0|1000] "Nm" ECM
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ SG_ "SwapRole" STRING ;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "SwapRole" "";
BA_ "GenMsgCycleTime" BO_ 512 20;
BA_ "GenMsgCycleTime" BO_ 768 20;
BA_ "SwapRole" SG_ 512 Speed "engine_speed";
BA_ "SwapRole" SG_ 512 Coolant "coolant_temperature";
BA_ "SwapRole" SG_ 512 RoadSpeed "vehicle_speed";
BA_ "SwapRole" SG_ 768 Reduce "torque_reduction_request";
"""
)

DONOR = parse_map(DONOR_TEXT, "donor.dbc")
HOST = parse_map(HOST_TEXT, "host.dbc")
MAPS = {"donor": DONOR, "host": HOST}

BRIDGE = """
[bridge]
name = "heavy"
[buses.donor]
map = "donor.dbc"
bit_rate = 250000
placement = "added-node"
absent = ["CAB"]
[buses.host]
map = "host.dbc"
placement = "added-node"
absent = ["ECM"]
[[messages]]
send = "host.EngineStatus"
[messages.signals]
Speed = { value = "donor.EEC1.Speed", hold_ms = 100 }
Coolant = { value = "clamp(donor.ET1.Coolant, -40 degC, 200 degC)" }
RoadSpeed = { value = "donor.CCVS.RoadSpeed", fallback = "600 km/h" }
BrakeState = { value = "donor.CCVS.Brake", fallback = "1", role = "status" }
"""


def frame_of(number: int, rng: random.Random, source: int = 0, priority: int = 3) -> tuple[int, bytes]:
    """A group's identifier word and a payload, now and then with reserved values."""
    data = bytearray(rng.randbytes(8))
    for place in range(8):
        if rng.random() < 0.2:
            data[place] = rng.choice((0xFA, 0xFB, 0xFE, 0xFF))
    return j1939.Identifier(priority, number, source).word, bytes(data)
