"""What all pages are written on: one palette, one style sheet, one frame, one kind of table.

A page is one HTML file that needs nothing else: no network, no script, no file beside it. Its pictures come from
:mod:`.drawing`. A module of pages says what is shown, never in what colour. Whatever comes from data (a name, a
currency, a fault's code) is escaped, and a content security policy forbids what would slip through.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from html import escape
from typing import NamedTuple

from surpluscharge import __version__

# What a colour stands for: (light, dark). The hues of the series keep apart for colour-blind eyes (after
# a palette common in publications, from memory), darkened or lightened until they stand out from the paper.
COLOURS = {
    "paper": ("#fbfaf6", "#14181c"),
    "ink": ("#1c2329", "#ece9e1"),
    "muted": ("#57616a", "#a9b2b9"),
    "rule": ("#d8d5ca", "#394149"),
    "caught": ("#00825e", "#2bbd92"),
    "spare": ("#f6ecb4", "#4a4420"),
    "spare-edge": ("#8d7500", "#d9c545"),
    "bought": ("#c24e00", "#ff9350"),
    "planned": ("#4b46b8", "#a9a4ff"),
    "house": ("#dfe2e4", "#2d353c"),
    "house-edge": ("#7b858d", "#87929b"),
    "saved": ("#0069a6", "#62b6ea"),
    "fault": ("#9b2f7c", "#e58acb"),
}


# --- tables ----------------------------------------------------------------------------------------------------------


class Cell(NamedTuple):
    """A number in a table: as it is known, and as it is shown."""

    value: str
    shown: str


def count_cell(value: int) -> Cell:
    return Cell(str(value), str(value))


Value = Cell | str


def _cell(value: Value, tag: str = "td", scope: str = "") -> str:
    attributes = f' scope="{scope}"' if scope else ""
    if isinstance(value, Cell):
        kind = "n" if Decimal(value.value) else "n nought"
        number = f'<data value="{escape(value.value)}">{escape(value.shown)}</data>'
        return f'<{tag} class="{kind}"{attributes}>{number}</{tag}>'
    return f"<{tag}{attributes}>{escape(value)}</{tag}>"


def _head(words: str, unit: str) -> str:
    if not words and not unit:
        return "<td></td>"
    parts = [escape(words), f'<span class="unit">{escape(unit)}</span>' if unit.strip() else ""]
    shown = " ".join(part for part in parts if part)
    return f'<th scope="col" class="n">{shown}</th>' if unit else f'<th scope="col">{shown}</th>'


class Table(NamedTuple):
    """A table: the first column names the row; a head is (words, unit), with a unit for numbers only."""

    key: str
    caption: str
    heads: Sequence[tuple[str, str]]
    rows: Sequence[Sequence[Value]]
    total: Sequence[Value] = ()
    quiet: bool = False  # its caption repeats the heading above it: for screen readers only

    def html(self) -> str:
        heads = "".join(_head(words, unit) for words, unit in self.heads)
        body = "".join(self._row(row) for row in self.rows)
        foot = f"<tfoot>{self._row(self.total)}</tfoot>" if self.total else ""
        quiet = ' class="unseen"' if self.quiet else ""
        return (
            f'<div class="scroll" role="region" tabindex="0" aria-labelledby="{self.key}-caption">'
            f'<table id="{self.key}-table"><caption id="{self.key}-caption"><span{quiet}>{escape(self.caption)}</span>'
            f"</caption><thead><tr>{heads}</tr></thead><tbody>{body}</tbody>{foot}</table></div>"
        )

    @staticmethod
    def _row(row: Sequence[Value]) -> str:
        return f"<tr>{_cell(row[0], 'th', 'row')}{''.join(_cell(value) for value in row[1:])}</tr>"


# --- the page --------------------------------------------------------------------------------------------------------


def document(title: str, kicker: str, heading: str, sentences: Sequence[str], parts: Iterable[str], made: str) -> str:
    """Return a whole page: its head, the gist in sentences (the first is the lede), its parts, and when it was made."""
    light, dark = ("".join(f"--{role}:{pair[scheme]};" for role, pair in COLOURS.items()) for scheme in (0, 1))
    style = STYLE.replace("/*light*/", light).replace("/*dark*/", dark)
    body = "\n".join(part for part in parts if part)
    told = "".join(f"\n<p>{words(sentence)}</p>" for sentence in sentences[1:])
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        # Nothing is fetched, and nothing runs, whatever a name or a currency may hold.
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>\n<header>\n"
        f'<p class="kicker">{escape(kicker)}</p>\n<h1>{escape(heading)}</h1>\n'
        f'<p class="lede">{words(sentences[0])}</p>{told}\n</header>\n{body}\n'
        f"<footer><p>{escape(made)} by surpluscharge {escape(__version__)}. Times are local.</p></footer>\n"
        "</main>\n</body>\n</html>\n"
    )


def section(heading: str, *content: str) -> str:
    return f"<section><h2>{escape(heading)}</h2>{''.join(content)}</section>"


def listed(items: Iterable[str]) -> str:
    """Return sentences as a list; nothing where there are none."""
    shown = "".join(f"<li>{words(item)}</li>" for item in items)
    return f'<ul class="notes">{shown}</ul>' if shown else ""


def facts(pairs: Iterable[tuple[str, str]]) -> str:
    """Return single figures with their names, side by side."""
    return (
        "<dl>"
        + "".join(f"<div><dt>{escape(what)}</dt><dd>{words(value)}</dd></div>" for what, value in pairs)
        + "</dl>"
    )


def folded(summary: str, content: str) -> str:
    """Return content that is there for whoever opens it."""
    return f"<details><summary>{escape(summary)}</summary>{content}</details>"


def words(text: str) -> str:
    """Return a text for the page: numbers stay with their units, dates in a line; a minus is as long as a plus."""
    text = re.sub(r"(?<=\d) (?!to |and )", "\N{NO-BREAK SPACE}", text)
    text = re.sub(r"(\d{4})-(\d\d)-(\d\d)", "\\1\N{NON-BREAKING HYPHEN}\\2\N{NON-BREAKING HYPHEN}\\3", text)
    return escape(re.sub(r"(?<![\w-])-(?=\d)", "\N{MINUS SIGN}", text))


STYLE = """
:root{color-scheme:light dark;--face:system-ui,'Segoe UI','DejaVu Sans',sans-serif;
--print:'Iowan Old Style',Charter,Georgia,'DejaVu Serif',serif;/*light*/}
@media screen and (prefers-color-scheme:dark){:root{/*dark*/}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:1rem/1.5 var(--face)}
main{max-width:60rem;margin:0 auto;padding:2.2rem 1.25rem 3rem}
header{border-bottom:2px solid var(--ink);padding-bottom:1rem;margin-bottom:1.8rem}
.kicker{margin:0;color:var(--muted);letter-spacing:.04em}
h1{font:700 clamp(1.7rem,5.5vw,2.6rem)/1.15 var(--print);margin:.2rem 0 .7rem;text-wrap:balance}
.lede{font:1.2rem/1.45 var(--print);margin:0 0 .5rem}
header p:last-child{margin-bottom:0}header p{max-width:52rem;margin:.25rem 0;text-wrap:pretty}
h2{font:700 1.3rem/1.25 var(--print);margin:0 0 .6rem}
section{margin:0 0 2.4rem}
.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(19rem,100%),1fr));gap:1.8rem 3rem}
.pair>div{min-width:0}
figure{margin:0}
svg{display:block;width:100%;height:auto;font-variant-numeric:tabular-nums;overflow:visible}
svg *{stroke-linejoin:round;stroke-linecap:butt}
svg text{paint-order:stroke;stroke:var(--paper);stroke-width:3px}
svg.narrow{display:none}
figcaption{color:var(--muted);font-size:.9rem;margin-top:.5rem}
figcaption p{margin:.4rem 0 0;max-width:48rem}
.key{list-style:none;display:flex;flex-wrap:wrap;gap:.25rem 1.3rem;margin:0;padding:0;color:var(--ink)}
.key li{display:flex;align-items:center;gap:.45rem}
.sw{flex:none;width:1.25rem;height:.8rem;border:1px solid transparent;print-color-adjust:exact;
-webkit-print-color-adjust:exact}
.sw.caught{background:var(--caught)}
.sw.spare{background:var(--spare);border-color:var(--spare-edge)}
.sw.bought{border-color:var(--bought);
background:repeating-linear-gradient(135deg,var(--bought) 0 1px,transparent 1px 4px)}
.sw.planned{border-color:var(--planned);
background:repeating-linear-gradient(45deg,var(--planned) 0 1px,transparent 1px 4px),
repeating-linear-gradient(135deg,var(--planned) 0 1px,transparent 1px 4px)}
.sw.price{height:0;border:0;border-top:2px solid var(--saved)}
.sw.due{width:0;height:0;border:.4rem solid transparent;border-bottom:0;border-top:.65rem solid var(--ink);
margin:0 .2rem}
.sw.saved{background:var(--saved)}
.sw.lost{border-color:var(--saved);
background:repeating-linear-gradient(135deg,var(--saved) 0 1px,transparent 1px 4px)}
.sw.house{background:var(--house)}
.sw.line{height:0;border:0;border-top:2px solid var(--ink)}
.sw.threshold{height:0;border:0;border-top:2px dashed var(--fault)}
.sw.error{width:0;height:1rem;border:0;border-left:2px solid var(--ink);margin:0 .6rem}
.sw.best{background:var(--house);border-color:var(--house-edge)}
.sw.dots{width:.35rem;height:.35rem;margin:0 .45rem;background:var(--house-edge)}
.sw.edge{height:0;border:0;border-top:2px solid var(--caught)}
.sw[class*=mark]{width:.65rem;height:.65rem;margin:0 .3rem;background:var(--ink)}
.sw.mark-best{background:var(--saved);transform:rotate(45deg)}.sw.mark-calm{background:var(--bought);border-radius:50%}
.sw.held{background:repeating-linear-gradient(0deg,var(--house-edge) 0 1px,transparent 1px 4px)}
.sw.unknown{background:repeating-linear-gradient(45deg,var(--house-edge) 0 1px,transparent 1px 4px)}
.scroll{overflow-x:auto;background:
linear-gradient(to right,var(--paper) 30%,transparent) left/2rem 100% local no-repeat,
linear-gradient(to left,var(--paper) 30%,transparent) right/2rem 100% local no-repeat,
linear-gradient(to right,var(--rule),transparent) left/.8rem 100% scroll no-repeat,
linear-gradient(to left,var(--rule),transparent) right/.8rem 100% scroll no-repeat,var(--paper)}
.scroll:focus-visible,summary:focus-visible{outline:2px solid var(--caught);outline-offset:2px}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums lining-nums;font-size:.95rem}
caption{text-align:left;color:var(--muted);font-size:.9rem;padding-bottom:.3rem}
caption:has(.unseen){padding:0}
.unseen{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}
th,td{padding:.28rem .7rem .28rem 0;text-align:left;vertical-align:top;border-bottom:1px solid var(--rule)}
th:last-child,td:last-child{padding-right:0}
th.n,td.n{text-align:right;white-space:nowrap}
thead :is(th,td){font-weight:400;color:var(--muted);vertical-align:bottom;border-bottom-color:var(--ink);
white-space:nowrap}
td.nought{color:var(--muted)}
a{color:inherit;text-underline-offset:.2em}
tbody th{font-weight:400;white-space:nowrap}#money-table th,#energy-table th{white-space:normal}
tfoot th,tfoot td{font-weight:700;border-bottom:0;border-top:2px solid var(--ink)}
.unit{font-size:.85em}
#lines-table tbody th,#squares-table tbody th,#lines-table tfoot th{position:sticky;left:0;background:var(--paper)}
#squares-table td{white-space:nowrap}
#rules-table tbody th,#days-table tbody th,#choices-table th{white-space:normal}#choices-table td{text-align:right}
#sessions-table td:last-child{min-width:9rem}#faults-table td:last-child{min-width:8.5rem}
#money-table tbody tr:nth-last-child(2) :is(th,td){border-top:1px solid var(--ink);font-weight:700}
dl{display:flex;flex-wrap:wrap;gap:.4rem 2.2rem;margin:.9rem 0 0}
dt{color:var(--muted);font-size:.9rem}dd{margin:0;font-weight:700;font-variant-numeric:tabular-nums}
details{margin-top:.9rem}
summary{cursor:pointer;padding:.35rem 0;color:var(--ink);text-decoration:underline;text-underline-offset:.2em}
.notes{margin:0;padding-left:1.1rem;max-width:44rem}.notes li{margin:.25rem 0}
footer{border-top:1px solid var(--rule);color:var(--muted);font-size:.9rem}footer p{margin:.7rem 0 0}
@media screen and (min-width:62rem){.scroll{width:max-content;min-width:100%;max-width:calc(50vw + 27rem)}}
@media (max-width:44rem){main{padding:1.3rem 1rem 2rem}svg.wide{display:none}svg.narrow{display:block;max-width:34rem}
section{margin-bottom:2rem}table{font-size:.9rem}th,td{padding-right:.55rem}thead .unit{display:block}
.lede{font-size:1.1rem}}
@media print{@page{margin:14mm}html{font-size:10pt}main{padding:0;max-width:none}svg.wide{display:block}
svg.narrow{display:none}figure,tr,.pair{break-inside:avoid}h2{break-after:avoid}section{margin-bottom:1.1rem}
details:not([open]),section.folded:not(:has([open])){display:none}
tfoot{display:table-row-group}.scroll{overflow:visible}}
"""
