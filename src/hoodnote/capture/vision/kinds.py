"""What a photo shows (a label, a dial, a display, a VIN or none of them), and the reader for it.

Cheap looks first: barcodes and round faces at a reduced size; then the words that stand in the picture, found once for labels and
VINs alike; lit windows last.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hoodnote.capture.vision.photo import Photo
from hoodnote.capture.vision.readers import NeuralReader, available_readers
from hoodnote.capture.vision.reading import Kind, PhotoReading
from hoodnote.capture.vision.rectify import has_glare
from hoodnote.capture.vision.threads import at_once
from hoodnote.capture.vision.vin_codes import VinCode, read_codes
from hoodnote.capture.vision.vin_text import Row, looks_like_vin, not_named_otherwise, texts_of
from hoodnote.readings.model import Standing

LEAST = 0.5                  # confidence below which a photo is taken for none of them
SECOND = 0.5                 # score at which another kind is tried as well, when the likeliest one's reader found nothing
SURE_VIN = 0.9              # score of a row from which no more of them is read
SURE_DIAL = 0.9
LIKELY_LABEL = 0.92         # three of the four below: a display beside such lettering has figures that are larger still
SURE_LABEL = 0.96           # refrigerant, words of charging, amounts and oil, all of them: no display is likelier, whatever it seems to show
_SURE = 0.97
# What stands on an under-hood label: SAE J639 asks for the refrigerant, its mass and the oil (from memory); wording in several languages.
_LABEL_WORDS = tuple(re.compile(p) for p in (
    # as text readers give them: run together with the words before and after, a speck for a point
    r"(\b|REFRIGERANT)R\W?(134A|123\W?4\W?YF|12(?!\d)|152A|744)|HF[CO]\W?(134A|1234YF)",
    r"REFRIGER|K.LTEMITTEL|FRIGORI|FLUIDE|FLUIDO|CHARGE|F.LLMENGE|CARGA|CARICA|AIR COND|\bA/C\b|KLIMA|CLIMAT",
    r"\d\W?\s?(KG|G|LBS?|OZ)\b",
    r"\bPAG\b|\bPOE\b|(?<![A-Z])OIL\b|\b.L\b|ÖL\b|HUILE|ACEITE|OLIO|LUBRICANT",
))
_LABEL_SCORE = (0.0, 0.2, 0.6, LIKELY_LABEL, SURE_LABEL)      # by how many of the four groups are there
NAMES = {Kind.LABEL: "an under-hood label", Kind.DIAL: "a gauge face", Kind.DISPLAY: "a digital display", Kind.VIN: "a VIN"}


@dataclass(frozen=True, eq=False)
class Look:
    """`scores` of each kind, 0 to 1; rows of text and VIN barcodes as they were found on the way; `whole`: was each kind looked for, or
    was it surely one before that?"""

    scores: dict[Kind, float]
    rows: Sequence[Row] | None
    codes: Sequence[VinCode]
    whole: bool

    @property
    def ranked(self) -> list[tuple[Kind, float]]:
        return sorted(self.scores.items(), key=lambda x: x[1], reverse=True)

    @property
    def kind(self) -> Kind:
        return self.ranked[0][0] if self.confidence >= LEAST else Kind.NONE

    @property
    def confidence(self) -> float:
        """The likeliest kind's score, less where another one is nearly as likely."""
        (_, best), (_, second) = self.ranked[:2]
        return best * (1 - 0.4 * max(0.0, second - 0.3))


def look(photo: Photo, finder: NeuralReader | None = None, before: Look | None = None) -> Look:
    """`before`: a look that ended before its end; from there on to it, past what is surely a dial or a label, and past large figures where
    something else is likely."""
    from hoodnote.capture.vision import dial_read, display

    finder = finder or NeuralReader()
    if before is None:
        dial, codes = at_once(lambda: dial_read.looks_like(photo), lambda: read_codes(photo.pixels))
        if dial >= SURE_DIAL and not codes:      # nothing else has a scale of ticks with a pointer on it
            return Look({Kind.DIAL: dial, Kind.DISPLAY: 0.0, Kind.VIN: 0.0, Kind.LABEL: 0.0}, None, codes, False)
        rows, shown = _rows(photo, finder), None
    else:
        dial, codes = before.scores[Kind.DIAL], before.codes
        rows, shown = at_once(lambda: before.rows or _rows(photo, finder), lambda: display.looks_like(photo))
    codes = not_named_otherwise(codes, rows)
    vin = max(_SURE if codes else 0.0, *(0.95 * looks_like_vin(r.text) for r in rows), 0.0)
    scores = {Kind.DIAL: dial, Kind.DISPLAY: shown or 0.0, Kind.VIN: vin, Kind.LABEL: label_score([r.text for r in rows])}
    if shown is not None or vin >= SURE_VIN and scores[Kind.LABEL] < SURE_LABEL:      # no display shows 17 characters with their check digit
        return Look(scores, rows, codes, True)
    if scores[Kind.LABEL] >= SURE_LABEL:
        return Look(scores, rows, codes, False)
    vins = [r.quad for r in rows if looks_like_vin(r.text) > 0]
    likely = dial >= LEAST or scores[Kind.LABEL] >= LIKELY_LABEL or bool(vins) and vin == max(scores.values())
    scores[Kind.DISPLAY] = display.looks_like(photo, likely, vins)
    return Look(scores, rows, codes, not likely)


def _rows(photo: Photo, finder: NeuralReader) -> list[Row]:
    """Rows of text, no more than tell a label or a VIN."""
    rows: list[Row] = []
    for row in texts_of(photo, finder):
        rows.append(row)
        if label_score([r.text for r in rows]) >= SURE_LABEL or looks_like_vin(row.text) >= SURE_VIN:
            break
    return rows


def label_score(texts: Sequence[str]) -> float:
    """0 to 1: how much the texts are those of an under-hood label."""
    words = " \n ".join(texts).upper()
    return _LABEL_SCORE[sum(bool(group.search(words)) for group in _LABEL_WORDS)]


def read_photo(photo: Photo, kind: Kind | None = None, place: str | None = None, units: str = "us") -> PhotoReading:
    """Reads what the photo shows; `kind` is what a person says that it shows, `place` where its figure was read (vocabulary id), `units`
    "us" or "metric". A photo of nothing that can be read has a `problem` that says what to do.
    """
    if kind is not None:
        return _read(kind, photo, place, units, None, NeuralReader())
    finder = NeuralReader()
    seen = look(photo, finder)
    first = reading = None
    if not seen.whole:
        first = _read(seen.ranked[0][0], photo, place, units, seen, finder)
        if first.fields or first.surely:
            return _with_confidence(first, _SURE if _proves_itself(first) else max(LEAST, seen.confidence))
        reading = first if first.kind is not Kind.VIN else None
        seen = look(photo, finder, seen)
    if seen.kind is Kind.NONE:
        return PhotoReading(Kind.NONE, (), (), (), _what_to_do(photo, seen), 1 - seen.ranked[0][1])
    for tried, score in seen.ranked:
        if reading is None or score >= SECOND and tried is not reading.kind:
            other = first if first is not None and tried is first.kind else _read(tried, photo, place, units, seen, finder)
            if other.fields:
                return _with_confidence(other, seen.confidence)
            reading = reading or other
    return _with_confidence(reading, seen.confidence)


def _read(kind: Kind, photo: Photo, place: str | None, units: str, seen: Look | None, finder: NeuralReader) -> PhotoReading:
    match kind:
        case Kind.DIAL:
            from hoodnote.capture.vision.dial_read import read_dials

            return read_dials(photo, place, units)
        case Kind.DISPLAY:
            from hoodnote.capture.vision.display import read_display

            return read_display(photo, place, units)
        case Kind.VIN:
            from hoodnote.capture.vision.vin_read import read_vin

            return read_vin(photo, rows=seen and seen.rows, codes=seen and seen.codes)
        case Kind.LABEL:
            from hoodnote.capture.vision.label import read_label

            readers = [finder, *(r for r in available_readers() if not isinstance(r, NeuralReader))]
            return read_label(photo, readers, "metric" if units == "metric" else "us")
    raise ValueError(f"no reader for {kind}")


def _proves_itself(reading: PhotoReading) -> bool:
    """A VIN that two readers gave and that has its check digit is one, whatever else the photo shows."""
    return reading.kind is Kind.VIN and any(f.standing is Standing.AGREED for f in reading.fields)


def _with_confidence(reading: PhotoReading, confidence: float) -> PhotoReading:
    return replace(reading, kind_confidence=round(confidence, 2))


def _what_to_do(photo: Photo, seen: Look) -> str:
    likeliest, score = seen.ranked[0]
    perhaps = f" (perhaps {NAMES[likeliest]})" if score >= 0.3 else ""
    again = "light has burnt out a part of it: take it again from another angle" if has_glare(photo) else "take it again closer and sharper"
    return (f"this shows none of label, dial, display or VIN that could be made out{perhaps}; {again}, "
            "or say which it is: label, dial, display or VIN")
