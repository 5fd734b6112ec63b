"""Refrigerant and oil: the system, its label, the source cylinder and the compressor's drive."""

from __future__ import annotations

from collections.abc import Iterator

from hoodnote.checks import wording as w
from hoodnote.checks.inputs import CONVERSION, Inputs
from hoodnote.checks.model import Finding, Outcome
from hoodnote.checks.view import View

# Oil families that go with a refrigerant (common practice, no source).
OIL_FOR = {"R-12": ("mineral",), "R-134a": ("PAG", "POE"), "R-1234yf": ("PAG", "POE")}


def oil_family(oil: str) -> str:
    """ "PAG 46" is of family "PAG"."""
    return oil.split()[0]


def oil_conflict(used: str, label: str | None) -> bool | None:
    """Does the oil used differ from the label's? None: the same family, with a grade that only one of them states."""
    if label is None:
        return None
    a, b = used.casefold().split(), label.casefold().split()
    if a == b:
        return False
    return None if a[0] == b[0] and min(len(a), len(b)) == 1 else True


def check(view: View) -> Iterator[Finding]:
    if view.touched("refrigerant") and view.touched("label_refrigerant"):
        yield _refrigerant_against_label(view)
    if view.touched("source_refrigerant"):
        yield _source(view)
    if view.touched("oil_type"):
        yield _oil(view)


def _refrigerant_against_label(view: View) -> Finding:
    inputs = Inputs(view)
    title, expected, source = "Refrigerant against label", "the refrigerant the label names", "SAE J639 (label content)"
    stated, label = inputs.fact("refrigerant"), inputs.fact("label_refrigerant")
    if stated is None or label is None or not inputs.complete:
        return inputs.cannot_tell("refrigerant_label", title, expected=expected, source=source)
    same = stated == label
    why = "Stated refrigerant and label agree."
    if (label, stated) == CONVERSION:
        why = ("The label names R-12 and R-134a was stated, which fits a conversion: a new label, unique fittings and barrier hoses belong to it, and "
               "an identifier settles what is inside.")
    elif not same:
        why = ("Stated refrigerant and label differ: settle it with an identifier before connecting equipment, because a mixture makes every "
               "pressure comparison meaningless.")
    return inputs.finding("refrigerant_label", title, expected=f"{label} (label)", measured=f"{stated} (stated)", uncertainty="as stated",
                          outcome=Outcome.WITHIN if same else Outcome.OUTSIDE, why=why, source=source)


def _source(view: View) -> Finding:
    inputs = Inputs(view)
    title, expected, source = "Source refrigerant against system", "the same refrigerant", "SAE J639 (label content)"
    filling, system = inputs.fact("source_refrigerant"), inputs.refrigerant()
    if filling is None or system is None or not inputs.complete:
        return inputs.cannot_tell("source_refrigerant", title, expected=expected, source=source)
    same = filling == system
    return inputs.finding("source_refrigerant", title, expected=system, measured=filling, uncertainty="as stated",
                          outcome=Outcome.WITHIN if same else Outcome.OUTSIDE, source=source,
                          why="The source holds the system's refrigerant." if same else
                          "The source holds another refrigerant than the system: do not charge from it, mixing contaminates system and equipment.")


def _oil(view: View) -> Finding:
    inputs = Inputs(view)
    title = "Oil type"
    used = inputs.fact("oil_type")
    label = inputs.fact("label_oil_type", required=False)
    drive = inputs.fact("compressor_drive", required=False)
    expected = f"{label} (label)" if label else "the oil on the label"
    if used is None or not inputs.complete:
        return inputs.cannot_tell("oil_type", title, expected=expected, source=w.COMMON_PRACTICE)
    if drive == "electric" and oil_family(used) != "POE":
        return inputs.finding("oil_type", title, expected="non-conductive POE for an electric compressor", measured=used, uncertainty="as stated",
                              outcome=Outcome.OUTSIDE, source=w.COMMON_PRACTICE,
                              why="An electric compressor needs the non-conductive oil its label names, and PAG in it can put high voltage on the "
                                  "housing: do not run it, see the manual.")
    conflict = oil_conflict(used, label)
    if conflict is not None:
        return inputs.finding("oil_type", title, expected=expected, measured=used, uncertainty="as stated",
                              outcome=Outcome.OUTSIDE if conflict else Outcome.WITHIN, source="SAE J639 (label content)",
                              why="The oil differs from the label's: check it against the manual before running the compressor." if conflict else
                              "The oil is the label's.")
    refrigerant = inputs.refrigerant()
    if refrigerant is None or not inputs.complete or refrigerant not in OIL_FOR:
        if inputs.complete:
            inputs.lacks("the label's oil type")
        return inputs.cannot_tell("oil_type", title, expected=expected, measured=used, source=w.COMMON_PRACTICE)
    families = OIL_FOR[refrigerant]
    if oil_family(used) in families:
        inputs.lacks("the label's oil type and grade")
        return inputs.cannot_tell("oil_type", title, expected=f"{' or '.join(families)} with {refrigerant}", measured=used, source=w.COMMON_PRACTICE,
                                  why="The oil's family goes with the refrigerant, but the grade is the label's to say.")
    return inputs.finding("oil_type", title, expected=f"{' or '.join(families)} with {refrigerant}", measured=used, uncertainty="as stated",
                          outcome=Outcome.OUTSIDE, source=w.COMMON_PRACTICE,
                          why="This oil does not go with the refrigerant in common practice: compare label and manual before running the compressor.")
