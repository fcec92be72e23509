"""The pages' common ground: the template environment, style, script and security policy.

A page extends ``base.html.j2`` (block ``content``; ``kind``, ``when`` and ``origin``
where it needs them; variables ``title`` and ``name``) and takes its parts from ``macros.html.j2``.
Everything that comes from outside (file names, texts, plans, notes) goes through escaping. A page
may load nothing from anywhere: its policy allows inline style, ``data:`` pictures and sound, and the
one script of its own, told by its hash.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from sigcheck.quantities import show
from sigcheck.report import words
from sigcheck.report.gauges import FAULT_AT, NOTE_AT

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

_HERE = Path(__file__).parent


@cache
def environment() -> Environment:
    """The environment of all templates: the filters and what every page has."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["minus"] = lambda text: words.minus(str(text))
    environment.filters["capital"] = words.capital
    environment.filters["percent"] = words.percent
    environment.filters["command"] = _with_command
    environment.filters["share"] = lambda x: f"{100.0 * x:.1f}%"
    # Only for what this package made itself: its style sheet, its script and its figures.
    environment.filters["own_markup"] = Markup
    script = (_HERE / "page.js").read_text(encoding="utf-8").strip()
    environment.globals |= {
        "style": (_HERE / "page.css").read_text(encoding="utf-8").strip(),
        "script": script,
        "security_policy": security_policy(script),
        "note_at": NOTE_AT,
        "fault_at": FAULT_AT,
        "show": show,
        "words": words,
    }
    return environment


def _with_command(text: str) -> Markup:
    """An instruction that ends in a command to type: the command on a line of its own."""
    from markupsafe import Markup

    before, called, arguments = str(text).rpartition("sigcheck compare ")
    if not called:
        return Markup("{}").format(words.minus(arguments))
    return Markup('{}<code class="command">{}</code>').format(words.minus(before), called + arguments)


def security_policy(script: str) -> str:
    """What a page may load and run (W3C Content Security Policy Level 3): nothing but its own."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:; "
        f"script-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
