"""One self-contained HTML page: no script, nothing fetched, made to be printed and to be read on a phone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape as e
from importlib.resources import files

from hoodnote.note import html_reasoning, layout
from hoodnote.note.html_words import entry_links, kept, section
from hoodnote.note.model import Cell, Field, FindingLine, FreeLine, Note, Question, Source, Stated, Table

_SIGN = {"within": "✓", "outside": "▲", "cannot tell": "?"}
_TALL = 24                  # figures; a longer table may be broken across columns and pages
_TALL_ROW = 12              # figures; a row with more may be broken
_SHORT_SOURCES = 6          # so few sources stay on the first page


def render(note: Note) -> str:
    css = files("hoodnote.note").joinpath("note.css").read_text(encoding="utf-8")
    return "\n".join([
        "<!doctype html>", '<html lang="en">', "<head>", '<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src \'unsafe-inline\'; img-src data:">',
        f"<title>Job note {e(note.work_order)}</title>", f"<style>\n{css}</style>", "</head>", "<body>", "<main>",
        *body(note), "</main>", "</body>", "</html>", ""])


def body(note: Note) -> Iterator[str]:
    """What the page holds, for another page that shows the note as its part."""
    yield f'<header><h1>Job note <span>work order {e(note.work_order)}</span></h1><dl class="facts">'
    for field in note.header:
        yield f'<div{_wide(field)}><dt>{e(field.label)}</dt><dd>{_field(field)}</dd></div>'
    yield "</dl></header>"
    yield '<section class="five" aria-label="The job in five lines"><dl>'
    for field in note.summary:
        yield f"<div><dt>{e(field.label)}</dt><dd>{e(field.text)}</dd></div>"
    yield "</dl></section>"
    yield from html_reasoning.doubted_claims(note.claims)
    yield from _findings(note.findings)
    tall = _height(note.readings) > _TALL
    readings = _table("Readings, before and after", note.readings, note.findings)
    if tall:                 # so many need the whole width
        yield from readings
    yield '<div class="halves">'
    if not tall:
        yield from readings
    yield from _balance(note)
    yield from _work(note)
    yield from _questions(note.questions)
    yield from _table("Clutch circuit", note.circuit, note.findings)
    yield from _vacuum(note)
    yield from _remarks(note.remarks)
    yield from _free_notes(note.free_notes)
    yield "</div>"
    yield from _cautions(note)
    yield from html_reasoning.weighed(note)
    yield from _judged(note.findings, bool(note.reasoning or note.comparisons or note.plots))
    yield from _sources(note)


def _wide(field: Field) -> str:
    return ' class="wide"' if field.label == "Conditions" else ""


def _field(field: Field) -> str:
    doubt = f' {_doubt(field.questions)}' if field.questions else ""
    if not field.text:
        return doubt.strip() or f'<span class="none">{layout.NOT_STATED}</span>'
    return e(field.text) + doubt


def _doubt(questions: Sequence[int]) -> str:
    links = ", ".join(f'<a href="#q{n}">Q{n}</a>' for n in questions)
    return f'<span class="doubt">unconfirmed, {links}</span>'


def _findings(findings: Sequence[FindingLine]) -> Iterator[str]:
    """What is outside in full, the others in short; `_judged` has the rest."""
    if not findings:
        return
    body = []
    outside = [f for f in findings if f.outcome == "outside"]
    others = [f for f in findings if f.outcome == "cannot tell"]
    within = [f for f in findings if f.outcome == "within"]
    if outside:
        body.append('<table class="checks"><thead><tr><th scope="col">Check</th><th scope="col">Expected</th><th scope="col">Measured</th>'
                    '<th scope="col">Outcome</th><th scope="col">Why</th></tr></thead><tbody>')
        body += [f'<tr id="f{f.number}" class="{f.outcome.replace(" ", "-")}"><th scope="row">{_title(f)}</th>'
                 f'<td data-label="Expected">{kept(f.expected)}</td><td data-label="Measured">{kept(layout.measured_in_short(f))}{_margin(f)}</td>'
                 f'<td data-label="Outcome" class="outcome">{_outcome(f)}</td><td data-label="Why">{e(f.why)}</td></tr>' for f in outside]
        body.append("</tbody></table>")
    if others:
        body.append('<ul class="others">')
        body += [f'<li id="f{f.number}" class="{f.outcome.replace(" ", "-")}"><span class="outcome">{_outcome(f)}</span> {_title(f)}: {e(f.why)}</li>'
                 for f in others]
        body.append("</ul>")
    if within:
        named = "; ".join(f'<span id="f{f.number}">{_title(f)}</span>' for f in within)
        body.append(f'<p class="within"><span class="outcome"><span aria-hidden="true">{_SIGN["within"]}</span> within</span> {named}</p>')
    yield from section("Findings and checks", body, "findings")


def _title(f: FindingLine) -> str:
    stage = f' <span class="when">{e(layout.STAGES[f.stage].lower())}</span>' if f.stage else ""
    return f"<b>F{f.number}</b> {e(f.title)}{stage}"


def _outcome(f: FindingLine) -> str:
    return f'<span aria-hidden="true">{_SIGN[f.outcome]}</span> {f.outcome}'


def _margin(f: FindingLine) -> str:
    return f'<br><span class="remark">{layout.margin(f)}</span>' if layout.margin(f) else ""


def _judged(findings: Sequence[FindingLine], others: bool) -> Iterator[str]:
    if not findings:
        return
    body = ['<table class="judged"><thead><tr><th scope="col">Check</th><th scope="col">Expected</th><th scope="col">Measured</th>'
            '<th scope="col">Uncertainty</th><th scope="col">Why</th><th scope="col">Source</th><th scope="col">Entries</th></tr></thead><tbody>']
    body += [f'<tr><th scope="row">{_title(f)}: {_outcome(f)}</th><td data-label="Expected">{kept(f.expected)}</td>'
             f'<td data-label="Measured">{kept(f.measured)}</td><td data-label="Uncertainty">{kept(layout.uncertainty(f))}</td>'
             f'<td data-label="Why">{e(layout.why(f))}</td><td data-label="Source">{e(f.source)}</td>'
             f'<td data-label="Entries">{entry_links(f.basis)}</td></tr>' for f in findings]
    body.append("</tbody></table>")
    yield from section("How each check was judged", body, "judgement" if others else "judgement own-page")


def _table(title: str, table: Table, findings: Sequence[FindingLine]) -> Iterator[str]:
    """With the checks that are not within; the conditions enter nearly every one."""
    if not table.rows:
        return
    telling = {f.number for f in findings if f.outcome != "within"}
    head = "".join(f'<th scope="col">{layout.STAGES[c]}</th>' for c in table.columns)
    body = [f'<table class="readings{" two" if len(table.columns) == 2 else ""}"><thead><tr><td></td>{head}<th scope="col">Checks</th></tr></thead>']
    for group, rows in layout.grouped(table.rows):
        body.append("<tbody>")
        if title.lower() != group:
            body.append(f'<tr class="group"><th scope="rowgroup" colspan="{len(table.columns) + 2}">{e(group)}</th></tr>')
        for row in rows:
            cells = "".join(f'<td data-label="{layout.STAGES[c]}">{_cell(cell)}</td>' for c, cell in zip(table.columns, row.cells, strict=True))
            checks = " ".join(f'<a href="#f{n}">F{n}</a>' for n in row.findings if n in telling and group != "conditions")
            open_row = ' class="tall"' if any(len(c.stated) > _TALL_ROW for c in row.cells) else ""
            body.append(f'<tr{open_row}><th scope="row">{e(row.label)}</th>{cells}<td data-label="Checks" class="refs">{checks}</td></tr>')
        body.append("</tbody>")
    body.append("</table>")
    yield from section(title, body, "table long" if _height(table) > _TALL else "table")


def _height(table: Table) -> int:
    """In figures, one above the other."""
    return sum(max((len(c.stated) + len(c.questions) for c in row.cells), default=1) for row in table.rows)


def _cell(cell: Cell) -> str:
    parts = [_stated(s) for s in cell.stated[:1]]
    if cell.stated[1:]:
        parts.append(f"<i>earlier</i> {'; '.join(map(_stated, cell.stated[1:]))}")
    if cell.questions:
        parts.append(_doubt(cell.questions))
    return "<br>".join(parts)


def _stated(s: Stated) -> str:
    remark = f' <span class="remark">{e(s.remark)}</span>' if s.remark else ""
    return f'<b>{e(s.text)}</b>{remark} {_standing(s)}'


def _standing(s: Stated) -> str:
    return f'<a class="standing" href="#e{s.entry}">{s.standing}&nbsp;{s.entry}</a>'


def _work(note: Note) -> Iterator[str]:
    if note.work:
        yield from section("Work done, in order", (
            f'<p class="steps"><b>{stage}:</b> {"; ".join(f"<span>{e(w.text)}</span>" for w in lines)}</p>'
            for stage, lines in layout.by_stage(note.work)), "work long" if len(note.work) > _TALL * 2 else "work")


def _balance(note: Note) -> Iterator[str]:
    body = []
    if note.balance:
        body += ['<dl class="lines">', *(f"<div><dt>{e(f.label)}</dt><dd>{_field(f)}</dd></div>" for f in note.balance), "</dl>"]
    body += [line for table in note.ledgers for line in html_reasoning.ledger(table)]
    if body:
        yield from section("Refrigerant and oil, in and out", body, "balance")


def _vacuum(note: Note) -> Iterator[str]:
    if note.vacuum:
        phases = list(dict.fromkeys(v.phase for v in note.vacuum))
        yield from section("Vacuum and hold", [
            '<dl class="lines">', *(f'<div><dt>{p}</dt><dd>{"; ".join(f"{e(v.text)} {_standing(v.stated)}" for v in note.vacuum if v.phase == p)}</dd></div>'
                                    for p in phases), "</dl>"], "vacuum")


def _remarks(remarks: Sequence[Stated]) -> Iterator[str]:
    if remarks:
        yield from section("Also stated", [
            '<dl class="lines">', *(f"<div><dt>{e(s.subject)}</dt><dd>{_stated(s)}</dd></div>" for s in remarks), "</dl>"], "remarks")


def _questions(questions: Sequence[Question]) -> Iterator[str]:
    body = ["<ul>"]
    for q in questions:
        body.append(f'<li id="q{q.number}"><b>Q{q.number} {e(layout.question_head(q))}:</b> {e(q.text)} '
                    f'<span class="remark"><a href="#e{q.entry}">entry {q.entry}</a>, {e(layout.place_in_record(q.whence))}</span><ul>')
        body += [f"<li>{e(layout.heard_text(h))}</li>" for h in q.versions]
        body += [f"<li><strong>warning given on it, {e(t)}</strong></li>" for t in q.warnings]
        body.append("</ul>")
        if q.crop:
            body.append(f'<img src="{q.crop}" alt="the piece of the photo that question {q.number} is about">')
        body.append("</li>")
    body.append("</ul>")
    yield from section("Open questions", body if questions else ["<p>none</p>"], "questions long")


def _free_notes(lines: Sequence[FreeLine]) -> Iterator[str]:
    if lines:
        yield from section(layout.FREE_NOTES, [
            "<ul>", *(f'<li id="e{line.entry}">{e(layout.free_text(line))} <span class="remark">entry {line.entry}, '
                      f'{e(layout.place_in_record(line.whence))}</span></li>' for line in lines), "</ul>"], "free long")


def _cautions(note: Note) -> Iterator[str]:
    given = [f'<li><b>{e(c.when)}:</b> {e(c.text)}{f" ({e(c.source)})" if c.source else ""}{f" <i>Answer: {e(c.answered)}</i>" if c.answered else ""}</li>'
             for c in note.cautions if c.when]
    usual = [e(c.text) for c in note.cautions if not c.when]
    body = [f'<ul class="given">{"".join(given)}</ul>'] if given else []
    yield from section("Cautions", [*body, f'<p>{" ".join(usual)}</p>'], "cautions")


def _sources(note: Note) -> Iterator[str]:
    if not note.sources:
        return
    body = [f"<p>{e(layout.MARGIN_NOTE)}</p>"]
    pictures = [p for p in note.photos if p.image]
    if pictures:
        body.append('<div class="photos">' + "".join(
            f'<figure><img src="{p.image}" alt="photo {e(p.name)}"><figcaption>{e(p.name)}, SHA-256 {p.sha256[:12]}</figcaption></figure>'
            for p in pictures) + "</div>")
    body.append('<table class="origin"><thead><tr><th scope="col">Entry</th><th scope="col">Statement</th><th scope="col">Standing</th>'
                '<th scope="col">From</th><th scope="col">SHA-256</th><th scope="col">Time</th><th scope="col">Read by</th><th scope="col">Sure</th></tr></thead><tbody>')
    shown: set[str | None] = set()
    for s in note.sources:
        body.append(_source(s, None if s.crop in shown else s.crop))
        shown.add(s.crop)
    body.append("</tbody></table>")
    name = "sources" if note.findings or len(note.sources) <= _SHORT_SOURCES else "sources own-page"
    yield from section("Where every figure came from", body, name)


def _source(s: Source, picture: str | None) -> str:
    crop = f'<img src="{picture}" alt="the piece of the photo that entry {s.entry} was read from">' if picture else ""
    warned = "".join(f'<br>warning given on it, {e(t)}' for t in s.warnings)
    gone = s.standing in ("superseded", "taken back")
    what = f"<s>{e(s.what)}</s>" if gone else e(s.what)
    return (f'<tr id="e{s.entry}" class="{s.standing.replace(" ", "-")}"><th scope="row">{s.entry}</th><td data-label="Statement">{what}{warned}</td>'
            f'<td data-label="Standing">{e(layout.source_state(s))}</td><td data-label="From">{e(layout.place_in_record(s.whence, digest=False))}{crop}</td>'
            f'<td data-label="SHA-256">{(s.whence.sha256 or "")[:12]}</td><td data-label="Time">{e(s.recorded_at)}</td>'
            f'<td data-label="Read by">{e(" + ".join(s.whence.readers))}</td><td data-label="Sure">{e(layout.sure(s))}</td></tr>')
