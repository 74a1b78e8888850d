"""
How text becomes a page: one environment for every template, in which nothing from outside is markup.

Everything is escaped, an undefined name is an error, and whatever a reader could not see (control characters, marks
that reorder text) becomes a visible escape before it is escaped. The pages' own policy (a Content-Security-Policy in
each head) lets no script and no style run but the site's own files, and no request leave the site.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from gatekeep.model.health import Health, State, TargetChange
from gatekeep.model.quantity import render_bytes
from gatekeep.report.plain import plain
from gatekeep.report.site import drawing, names, words
from gatekeep.report.site.compiled import CompiledTemplates
from gatekeep.report.wording import count, say_share

_WITHOUT_IMAGE = (State.BROKEN, State.OUTGROWN, State.TIMED_OUT)


def render(template: str, **values: Any) -> str:  # noqa: ANN401 - templates take any value
    """Render one template; what it does not know is an error."""
    return _environment().get_template(template).render(**values)


@cache
def load_templates() -> None:
    """Have every page's template ready, so that a copy of this process need not load them again."""
    environment = _environment()
    for name in environment.list_templates(extensions=["j2"]):
        environment.get_template(name)


@cache
def list_assets() -> dict[str, str]:
    """Give the style sheet and the script: path in the site to content."""
    environment = _environment()
    loader = environment.loader
    found = {}
    for name in ("style.css", "site.js"):
        content = loader.get_source(environment, name)[0] if loader is not None else ""
        found[names.asset_path(name, content)] = content
    return found


def _finalize(value: object) -> object:
    if type(value) is str:
        return _make_harmless(value)
    return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@lru_cache(maxsize=8192)
def _make_harmless(text: str) -> Markup:
    """Names of regions and targets, amounts and ids stand on hundreds of pages: this was a fifth of their rendering."""
    return Markup.escape(plain(text))


def _keep_compiled() -> CompiledTemplates:
    """As for modules: nothing is written where the user has said so."""
    here = Path(__file__)
    folder = here.parents[1] / "templates" / "__pycache__"
    return CompiledTemplates(folder, depends_on=(here,), writes=not sys.dont_write_bytecode)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("gatekeep.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        # The templates are our own: looking for changes of each at each page were five calls of the system a page.
        auto_reload=False,
        bytecode_cache=_keep_compiled(),
    )
    environment.filters |= {
        "bytes": render_bytes,
        "day": words.say_day,
        "delta": words.say_delta,
        "elapsed": words.say_elapsed,
        "rfc3339": words.rfc3339,
        "spoken_time": words.say_time,
        "log_line": _log_line,
    }
    environment.globals |= {
        "count": count,
        "draw_part": drawing.draw_part,
        "draw_plot": drawing.draw_plot,
        "draw_use": drawing.draw_use,
        "percent": drawing.percent,
        "list_alike": _list_alike,
        "names": names,
        "say_changed": words.say_changed,
        "say_changer": words.say_changer,
        "say_doubt": words.say_doubt,
        "say_unknown": words.say_unknown,
        "say_machine": words.say_machine,
        "say_port": words.say_port,
        "say_share": say_share,
        "say_state": words.say_state,
        "sentence_start": words.sentence_start,
        "count_behind": Health.count_behind,
        "say_outlook": words.say_outlook,
        "say_warnings": words.say_warnings,
        "short_name": words.short_name,
        "COLUMNS": drawing.COLUMNS,
        "ROWS": drawing.ROWS,
    }
    return environment


def _list_alike(root: str, alike: Iterable[tuple[TargetChange, ...]]) -> Markup:
    """
    List targets that a commit changed, those that grew alike together: by far the most of what commit pages hold.

    A template takes four times as long for the same.
    """
    items = []
    for members in alike:
        first = members[0]
        sizes = "".join(_say_growth(change.region, change.delta_bytes) for change in first.regions)
        if not sizes:
            sizes = "no image" if first.after in _WITHOUT_IMAGE else "no size changed"
        links = "".join(_link_target(root, change.target) for change in members)
        items.append(f'<li><span>{sizes}</span>\n<span class="which">{links}</span></li>')
    return Markup("".join(items))  # noqa: S704 - of markup alone: growths and links were escaped one by one


@lru_cache(maxsize=4096)
def _say_growth(region: str, delta_bytes: int) -> Markup:
    return Markup("{} <strong>{}</strong> ").format(plain(region), words.say_delta(delta_bytes))


@lru_cache(maxsize=4096)
def _link_target(root: str, name: str) -> Markup:
    return Markup('<a href="{}">{}</a> ').format(f"{root}{names.target_page(name)}", plain(name))


def _log_line(text: str) -> Markup:
    """Make a line of a log harmless and keep its tabs."""
    return Markup.escape(plain(text, keep_tabs=True))
