"""Rules that nobody reviewed never reach wires, whatever is said aloud; on virtual buses they do."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from click.testing import CliRunner

from swapbridge.bus.adapters.spec import parse_bus
from swapbridge.bus.running.live import LiveOptions
from swapbridge.bus.running.run import RunRequest, check_allowed
from swapbridge.cli.main import cli
from swapbridge.core.errors import RefusedError
from swapbridge.plan.plan import Plan
from swapbridge.plan.proof import proof_head, ruling_on
from swapbridge.plan.unreviewed import why_unreviewed
from tests.proofs import proof_text, write_proof

WIRES = (parse_bus("donor=socketcan:can0"), parse_bus("host=socketcan:can1"))
BENCH = (parse_bus("donor=virtual:a"), parse_bus("host=virtual:b"))


@pytest.mark.parametrize("unproved", [False, True])
def test_a_whole_proof_and_unproved_do_not_let_it_out(plan: Plan, tmp_path: Path, unproved: bool) -> None:
    learned = dataclasses.replace(plan, unreviewed=("host.Gauge.Speed",))
    ruling = ruling_on(learned, proof_head(proof_text(learned)), {})
    assert ruling.proved
    request = RunRequest(learned, WIRES, LiveOptions(sending=True), ruling, tmp_path, unproved, acknowledged=True)
    with pytest.raises(RefusedError, match=r"host\.Gauge\.Speed.*swapbridge review host\.Gauge\.Speed"):
        check_allowed(request)
    mixed = (BENCH[0], WIRES[1])
    with pytest.raises(RefusedError, match="not reviewed"):
        check_allowed(dataclasses.replace(request, buses=mixed))
    check_allowed(dataclasses.replace(request, buses=BENCH))
    check_allowed(dataclasses.replace(request, options=LiveOptions(sending=False)))
    allowed = ruling_on(plan, proof_head(proof_text(plan)), {})
    check_allowed(dataclasses.replace(request, plan=plan, proof=allowed))


def test_commands_refuse_it_by_name_whatever_is_said(plan: Plan, tmp_path: Path) -> None:
    learned = dataclasses.replace(plan, unreviewed=("host.Gauge.Speed",))
    write_proof(tmp_path, learned)
    log = tmp_path / "drive.log"
    log.write_text("(1.000000) donor 100#0102030405060708\n(1.010000) donor 100#0102030405060708\n")
    wires = ["--bus", "donor=socketcan:can77", "--bus", "host=socketcan:can78", "--cautions-read", "--unproved"]
    for words in (
        ["replay", str(log), "--plan", str(tmp_path / "plan.json"), *wires],
        ["run", str(tmp_path / "plan.json"), "--send", *wires],
        ["emit", "c", str(tmp_path / "plan.json"), "--out", str(tmp_path / "c")],
    ):
        result = CliRunner().invoke(cli, words)
        assert result.exit_code == 2, f"{words}: {result.output}"
        assert "not reviewed: host.Gauge.Speed" in result.output, f"{words}: {result.output}"
    assert not (tmp_path / "c").exists()


def test_every_rule_is_named_and_the_first_one_is_the_next_to_review(plan: Plan) -> None:
    assert why_unreviewed(dataclasses.replace(plan, unreviewed=())) == ""
    one = why_unreviewed(dataclasses.replace(plan, unreviewed=("host.A.X",)))
    assert one.startswith("the plan holds a rule that was learned from recordings and not reviewed: host.A.X;")
    three = why_unreviewed(dataclasses.replace(plan, unreviewed=("host.A.X", "host.A.Y", "host.B.Z")))
    assert three.startswith("the plan holds 3 rules that were learned")
    assert "host.A.X, host.A.Y, host.B.Z; look at each with `swapbridge review host.A.X`" in three
