"""Swap folder room: a draft as one self-contained HTML file: no network, no script, prints well, light and dark.

In the prove room's style. The outlook comes first; then every message that will be missed, its bits, and each field
with what was recorded beside what the draft makes.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from swapbridge.drafting.drafted import Drafted, DraftedMessage, Explained
from swapbridge.drafting.outlook import SURE, label, outlook
from swapbridge.drafting.picture import message_picture
from swapbridge.proving.report.html import style
from swapbridge.proving.report.overlay_svg import overlay_picture
from swapbridge.proving.verdict import ProofOverlay

HOW = {
    "copy": "a copy of a signal that will be there",
    "constant": "a constant",
    "table": "a table of one quantity",
    "threshold": "a condition with thresholds",
    "derived": "calculated from several quantities",
    "total": "a running total",
    "echo": "what another module of the same bus says",
    "state": "a state of the engine or the key",
    "timed": "a time after waking or key-on",
    "page": "a page of a multiplexed message",
    "open": "open: nobody knows how it is made",
}
_STYLE = """
.bits { font:.85rem/1.3 ui-monospace, monospace; white-space:pre; overflow-x:auto; background:var(--panel);
  border:1px solid var(--line); padding:.6rem; }
.field { border-left:.3rem solid var(--line); padding-left:1rem; margin:1.4rem 0; }
.field.open, .field.doubt { border-color:var(--warn); } .field.sure { border-color:var(--pass); }
dl { display:grid; grid-template-columns:max-content 1fr; gap:.1rem 1rem; margin:.4rem 0; }
dt { color:var(--soft); } dd { margin:0; overflow-wrap:anywhere; }
@media screen and (max-width:44rem) { dl { display:block; } }
"""


def draft_html(drafted: Drafted, name: str) -> str:
    """The report's text; `name` is what the swap is called."""
    sent = [m for m in drafted.messages if not m.refused]
    never = [m for m in drafted.messages if m.refused]
    opened = sum(f.how == "open" for m in sent for f in m.fields)
    tone = "unproved" if opened or never else "pass"
    links = "".join(f'<li><a href="#{_anchor(m)}">{escape(label(m))}</a> {_state(m)}</li>' for m in drafted.messages)
    parts = [
        *_head(f"Draft of {name}"),
        f'<header class="{tone}"><p class="plan">Draft of swap <b>{escape(name)}</b>, from recordings alone</p>',
        f"<h1>{len(sent)} of {len(drafted.messages)} messages, {opened} fields open</h1>",
        "<p>Nothing here is proved, and nothing that may move a torque is sent before a person has reviewed it. "
        f"Next: swapbridge compile bridge.toml, then swapbridge review.</p><ul class=chips>{links}</ul></header>",
        _outlook_section(outlook(drafted)),
        *(_message(m, number) for number, m in enumerate(drafted.messages)),
        "</main></body></html>",
    ]
    return "\n".join(parts) + "\n"


def outlook_html(lines: Sequence[str], name: str) -> str:
    """The report's text before there is a donor: the outlook, and nothing that could be sent."""
    parts = [
        *_head(f"Outlook of {name}"),
        f'<header class="unproved"><p class="plan">Outlook of swap <b>{escape(name)}</b>, from the host alone</p>',
        "<h1>What a donor's computer must send</h1>",
        "<p>No bridge was drafted. That also needs the donor's recordings: its own vehicle, and its computer alone on "
        "the bench.</p></header>",
        _outlook_section(lines),
        "</main></body></html>",
    ]
    return "\n".join(parts) + "\n"


def _head(title: str) -> list[str]:
    return [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(title)}</title>",
        f"<style>{style()}{_STYLE}</style></head><body><main>",
    ]


def _outlook_section(lines: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<section><h2>Outlook</h2><ul>{items}</ul></section>"


def _anchor(made: DraftedMessage) -> str:
    return label(made).replace(" ", "-")


def _state(made: DraftedMessage) -> str:
    if made.refused:
        return '<span class="chip fail">not made</span>'
    opened = sum(f.how == "open" for f in made.fields)
    return f'<span class="chip unproved">{opened} open</span>' if opened else '<span class="chip pass">whole</span>'


def _message(made: DraftedMessage, number: int) -> str:
    head = f'<section id="{_anchor(made)}"><h2>{escape(label(made))} {_state(made)}</h2>'
    bits = "\n".join(message_picture(made))
    out = [head, f'<div class="bits">{escape(bits)}</div>']
    if made.refused:
        out.append(f"<p><b>It can't be made:</b> {escape(made.refused)}.</p>")
    if made.unreviewed:
        out.append(f"<p><b>The whole message needs a review:</b> {escape(made.unreviewed)}.</p>")
    out += [_field(made, f, 1000 * (number + 1) + n) for n, f in enumerate(made.fields)]
    return "".join(out) + "</section>"


def _field(made: DraftedMessage, one: Explained, number: int) -> str:
    rows = [
        ("how", HOW[one.how]),
        ("how sure", "not at all" if one.how == "open" else f"{one.confidence:.0%}"),
        ("found", one.words),
        ("came second", one.runner_up),
        ("would close it", one.closes),
        ("rule", one.value),
        ("safe answer", one.fallback),
        ("believed while", "; ".join(f"{a} is {b} to {c}" for a, b, c in one.seen)),
        ("role", one.role if one.role not in ("value", "status") else ""),
        ("before it is sent", "a person must review it" if one.unreviewed else ""),
    ]
    details = "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in rows if v)
    tone = "open" if one.how == "open" else "sure" if one.confidence >= SURE else "doubt"
    chip, word = {"open": ("unproved", "open"), "sure": ("pass", "sure"), "doubt": ("warn", "not sure")}[tone]
    return (
        f'<div class="field {tone}"><h3>{escape(one.name)} <span class="chip {chip}">{word}</span></h3>'
        f"<dl>{details}</dl>{_picture(made, one, number)}</div>"
    )


def _picture(made: DraftedMessage, one: Explained, number: int) -> str:
    if one.drawn is None:
        return "<p>Not drawn: the rule depends on something that a recording alone does not show.</p>"
    recorded = tuple(zip(one.drawn.time_s, one.drawn.recorded, strict=True))
    if one.drawn.made is None:
        title, sent = f"{one.name}: recorded; nobody knows how it is made", recorded[:0]
    else:
        title = f"{one.name}: recorded against made"
        sent = tuple(zip(one.drawn.time_s, one.drawn.made, strict=True))
    used = "This condition was found on the whole recording, this stretch included."
    if one.how in ("copy", "echo"):
        used = (
            "A plain copy: its source is replaced here by the same quantity in this recording, often this very "
            "field, so the curves agree. How sure it is depends on the guess of both fields."
        )
    if one.drawn.held_out:
        used = "This stretch was not used to learn the rule."
    elif one.drawn.made is None:
        used = "What is sent instead is the safe answer."
    figure = overlay_picture(ProofOverlay(title, "recorded", "raw", recorded, "made", "raw", sent), number)
    return f"{figure}<p class=legend>{used}</p>"
