"""Judging a plan on the bench: simulated buses, faults, timing, the exact reference, verdicts and reports."""

from swapbridge.prove.prove import THOROUGHNESS, prove
from swapbridge.prove.report import html_report
from swapbridge.prove.verdict import Check, ProofHead, Verdict, proof_head

__all__ = ["THOROUGHNESS", "Check", "ProofHead", "Verdict", "html_report", "proof_head", "prove"]
