"""The worksheet as a page of HTML, for A4 paper: black on white, and nothing but itself."""

from collections.abc import Iterable, Iterator
from html import escape
from typing import Final

from dryload.harness.report.memory_bar import pieces_in
from dryload.harness.report.memory_picture import legend, letters_of
from dryload.harness.report.worksheet import LEFT_OUT, NOTES, Worksheet

_CELLS: Final = (
    *(("number", each) for each in ("slot", "no.")),
    ("name", "name"),
    *(("key", each) for each in ("root", "lowest", "highest")),
    ("small", "loop"),
    *(("level", each) for each in ("level", "length")),
)
"""Class and heading of the cells of the page."""
_STYLE: Final = """
@page { size: A4; margin: 14mm 12mm; @bottom-right { content: counter(page) "/" counter(pages) } }
* { print-color-adjust: exact }
body { max-width: 186mm; margin: 0 auto; font: 9.5pt/1.35 sans-serif; color: #000 }
@media screen { body { padding: 8mm } }
h1 { font-size: 17pt; margin: 0 0 2mm; border-bottom: 1.5pt solid }
h2 { font-size: 12pt; margin: 5mm 0 1.5mm; break-after: avoid }
p, ul { margin: 1mm 0 }
ul { padding-left: 6mm }
li { break-inside: avoid }
.box { display: inline-block; flex: none; width: 3.6mm; height: 3.6mm; border: 0.8pt solid }
.steps { list-style: none; padding: 0 }
.steps li { display: flex; gap: 2mm; margin-bottom: 1mm }
table { border-collapse: collapse; width: 100% }
thead { display: table-header-group }
tr { break-inside: avoid }
th { font-size: 7.5pt; font-weight: normal; text-align: left; vertical-align: bottom }
th, td { border-bottom: 0.4pt solid; padding: 1.2mm 0.8mm }
.tick { text-align: center }
.number { text-align: right }
.name { min-width: 30mm; padding-left: 2mm; overflow-wrap: anywhere }
.key, .number, .level { white-space: nowrap }
td.key { font-weight: bold }
td.small, p.small { font-size: 8pt }
.part { display: inline-block; margin-right: 3mm }
.bank { display: flex; margin: 1mm 0; break-inside: avoid }
.bank > span { width: 14mm; font: 8pt/6mm sans-serif }
.bank > div { display: flex; flex: 1; border: 0.8pt solid; height: 6mm; min-width: 0 }
.bank i { flex-basis: 0; min-width: 0; border-right: 0.4pt solid; font: 8pt/6mm sans-serif }
.bank i.sample { min-width: 2.6mm; background: #ddd; text-align: center; font-weight: bold }
.bank i:last-child { border-right: 0 }
"""


def page_of(sheet: Worksheet) -> str:
    """Return a worksheet as a page of HTML for A4 paper."""
    steps = (
        f'<li><span class="box"></span><b>{number}.</b><span>{escape(step)}</span></li>'
        for number, step in enumerate(sheet.steps, 1)
    )
    parts = [
        f"<h1>{escape(sheet.title)}</h1>",
        *(f"<p>{escape(each)}</p>" for each in sheet.about),
        f'<h2>Steps</h2><ul class="steps">{"".join(steps)}</ul>',
        _html_list(NOTES, sheet.notes),
        "<h2>Samples, in the order of sending</h2>",
        _html_table(sheet),
        _html_list(LEFT_OUT, sheet.left_out),
        *_html_memory(sheet),
    ]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{escape(sheet.title)}</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _html_list(heading: str, texts: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(each)}</li>" for each in texts)
    return f"<h2>{heading}</h2><ul>{items}</ul>" if items else ""


def _html_table(sheet: Worksheet) -> str:
    heads = [*(("tick", each) for each in sheet.ticks), *_CELLS]
    box = '<td class="tick"><span class="box"></span></td>' * len(sheet.ticks)
    rows = []
    for row in sheet.rows:
        cells = zip(_CELLS, row, strict=True)
        told = (f'<td class="{kind}">{escape(cell)}</td>' for (kind, _), cell in cells)
        rows.append(f"<tr>{box}{''.join(told)}</tr>")
    head = "".join(f'<th class="{kind}">{name}</th>' for kind, name in heads)
    body = "\n".join(rows)
    return f"<table><thead><tr>{head}</tr></thead>\n<tbody>{body}</tbody></table>"


def _html_memory(sheet: Worksheet) -> Iterator[str]:
    states = [("Memory", sheet.memory)]
    if sheet.before is not None:
        states = [("Memory before", sheet.before), ("Memory afterwards", sheet.memory)]
    letters = letters_of(*(state for _, state in reversed(states)))
    for heading, state in states:
        if not state.pieces:
            continue
        yield f"<h2>{heading}</h2>"
        for bank, start in enumerate(range(0, state.pieces[-1].region.end, sheet.bank_words), 1):
            end = start + sheet.bank_words
            drawn = []
            for each in pieces_in(state.pieces, start, end):
                words = min(each.region.end, end) - max(each.region.start, start)
                letter = "" if each.slot is None else letters[each.slot]
                drawn.append(f'<i class="{each.kind}" style="flex-grow:{words}">{letter}</i>')
            yield f'<div class="bank"><span>bank {bank}</span><div>{"".join(drawn)}</div></div>'
    said = [
        f'<span class="part"><b>{letter}</b> {escape(what)}</span>'
        for letter, what in legend(letters, sheet.memory, sheet.before)
    ]
    yield f'<p class="small">{"".join(said)}</p>'
    yield '<p class="small">Each sample is drawn wide enough for its letter.</p>'
