"""Number words as they are said in a bay, and back.

"two ten", "two hundred and ten" and "two hundred ten" are 210; "one oh five" is 105; "twelve point six" is 12.6;
"fifteen hundred" is 1500; "a hundred and eighty" is 180; "minus five" is -5; "eleven and a half" is 11.5.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

DIGITS = {w: i for i, w in enumerate("zero one two three four five six seven eight nine".split())}
TEENS = {w: i for i, w in enumerate("ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split(), 10)}
TENS = {w: 10 * i for i, w in enumerate("twenty thirty forty fifty sixty seventy eighty ninety".split(), 2)}
NAMES = {v: k for k, v in (DIGITS | TEENS | TENS).items()}
FRACTIONS = {("and", "a", "half"): Decimal("0.5"), ("and", "a", "quarter"): Decimal("0.25"),
             ("and", "three", "quarters"): Decimal("0.75")}
LONE_FRACTIONS = {("half", "a"): Decimal("0.5"), ("half", "an"): Decimal("0.5"), ("a", "half"): Decimal("0.5"),
                  ("a", "quarter"): Decimal("0.25"), ("three", "quarters"): Decimal("0.75")}
NUMBER_WORDS = frozenset(DIGITS) | frozenset(TEENS) | frozenset(TENS) | {
    "oh", "hundred", "thousand", "point", "minus", "negative", "a", "and", "half", "quarter", "quarters", "an"}


def words_to_number(words: Sequence[str]) -> Decimal:
    """The value of number words. Raises ValueError for words that are not one number."""
    words = tuple(words)
    if words and words[0] in ("minus", "negative"):
        return -words_to_number(words[1:])
    if words in LONE_FRACTIONS:
        return LONE_FRACTIONS[words]
    for tail, part in FRACTIONS.items():
        if words[-len(tail):] == tail and len(words) > len(tail):
            return _whole(words[:-len(tail)]) + part
    if "point" in words:
        at = words.index("point")
        whole = words[:at]
        value = Decimal(0) if whole in ((), ("oh",)) else Decimal(_whole(whole))
        digits = _decimals(words[at + 1:])
        return value + Decimal(f"0.{digits}")
    return Decimal(_whole(words))


def _decimals(words: tuple[str, ...]) -> str:
    if words and words[0] not in DIGITS and words[0] != "oh":
        return f"{_below_hundred(words):02d}"                       # "point twenty five"
    if not words or any(w not in DIGITS and w != "oh" for w in words):
        raise ValueError(f"not decimals: {' '.join(words)}")
    return "".join(str(DIGITS.get(w, 0)) for w in words)            # "point two five", "point oh five"


def _whole(words: tuple[str, ...]) -> int:
    if "thousand" in words:
        at = words.index("thousand")
        high = 1 if words[:at] == ("a",) else _below_thousand(words[:at])
        rest = words[at + 1:]
        if rest[:1] == ("and",):
            rest = rest[1:]
            if not rest:
                raise ValueError("nothing after and")
        return 1000 * high + (_below_thousand(rest) if rest else 0)
    try:
        return _below_thousand(words)
    except ValueError:
        pass
    if "hundred" in words:                                          # "fifteen hundred and fifty"
        at = words.index("hundred")
        return 100 * _below_hundred(words[:at]) + _after_hundred(words[at + 1:])
    for at in (1, 2):                                               # "fifteen fifty", "twenty five fifty"
        try:
            high, low = _below_hundred(words[:at]), _pair_low(words[at:])
        except ValueError:
            continue
        if high >= 10:
            return 100 * high + low
    raise ValueError(f"not a number: {' '.join(words)}")


def _below_hundred(words: tuple[str, ...]) -> int:
    match words:
        case (w,) if w in DIGITS or w in TEENS or w in TENS:
            return DIGITS.get(w, TEENS.get(w, TENS.get(w)))
        case (tens, unit) if tens in TENS and DIGITS.get(unit, 0) > 0:
            return TENS[tens] + DIGITS[unit]
    raise ValueError(f"not a number below a hundred: {' '.join(words)}")


def _pair_low(words: tuple[str, ...]) -> int:
    match words:
        case (("oh" | "zero"), unit) if DIGITS.get(unit, 0) > 0:
            return DIGITS[unit]
    value = _below_hundred(words)
    if value < 10:
        raise ValueError(f"not the second half of a number: {' '.join(words)}")
    return value


def _after_hundred(words: tuple[str, ...]) -> int:
    if not words:
        return 0
    if words[0] == "and":
        words = words[1:]
    value = _below_hundred(words)
    if value == 0:
        raise ValueError("hundred zero")
    return value


def _below_thousand(words: tuple[str, ...]) -> int:
    match words:
        case ("a", "hundred", *rest):
            return 100 + _after_hundred(tuple(rest))
        case (unit, "hundred", *rest) if DIGITS.get(unit, 0) > 0:
            return 100 * DIGITS[unit] + _after_hundred(tuple(rest))
        case (unit, _, *_) if DIGITS.get(unit, 0) > 0:
            return 100 * DIGITS[unit] + _pair_low(words[1:])
    return _below_hundred(words)


def _names_below_hundred(n: int) -> str:
    if n in NAMES:
        return NAMES[n]
    return f"{NAMES[n - n % 10]} {NAMES[n % 10]}"


def _forms_below_thousand(n: int) -> list[str]:
    high, low = divmod(n, 100)
    if not high:
        return [_names_below_hundred(low)]
    heads = [f"{NAMES[high]} hundred"] + (["a hundred"] if high == 1 else [])
    if not low:
        return heads
    tail = _names_below_hundred(low)
    out = [f"{head} {join}{tail}" for head in heads for join in ("", "and ")]
    pair = [f"{NAMES[high]} {tail}"] if low >= 10 else [f"{NAMES[high]} oh {tail}", f"{NAMES[high]} zero {tail}"]
    return out + pair


def _forms_whole(n: int) -> list[str]:
    if n < 1000:
        return _forms_below_thousand(n)
    thousands, rest = divmod(n, 1000)
    heads = [f"{form} thousand" for form in _forms_below_thousand(thousands)] + (["a thousand"] if thousands == 1 else [])
    if not rest:
        out = heads
    else:
        out = [f"{head} {tail}" for head in heads for tail in _forms_below_thousand(rest)]
        if rest < 100:
            out += [f"{head} and {tail}" for head in heads for tail in _forms_below_thousand(rest)]
    high, low = divmod(n, 100)
    if n < 10000 and high % 10:                                     # "fifteen hundred", "fifteen fifty"
        head = _names_below_hundred(high)
        if not low:
            out.append(f"{head} hundred")
        else:
            tail = _names_below_hundred(low)
            out += [f"{head} hundred {tail}", f"{head} hundred and {tail}"]
            out += [f"{head} {tail}"] if low >= 10 else [f"{head} oh {tail}", f"{head} zero {tail}"]
    return out


def spoken_forms(value: Decimal | int | str) -> list[str]:
    """Ways to say a number between -999999 and 999999, plainest first; a place of the grammar may allow fewer of them."""
    value = Decimal(value)
    if value.is_signed():
        return [f"{sign} {form}" for sign in ("minus", "negative") for form in spoken_forms(-value)]
    whole = int(value)
    if whole > 999999:
        raise ValueError(f"{value} is larger than anything read in a bay")
    text = f"{value:f}"
    decimals = text.partition(".")[2]
    if not decimals:
        return _forms_whole(whole)
    heads = _forms_whole(whole) if whole else ["zero", "", "oh"]
    spelled = [" ".join(NAMES[int(d)] for d in decimals)]
    if "0" in decimals:
        spelled.append(" ".join("oh" if d == "0" else NAMES[int(d)] for d in decimals))
    if len(decimals) == 2 and int(decimals) >= 10:
        spelled.append(_names_below_hundred(int(decimals)))
    out = [f"{head} point {tail}".strip() for head in heads for tail in spelled]
    for part, tail in (("0.5", "and a half"), ("0.25", "and a quarter"), ("0.75", "and three quarters")):
        if value - whole == Decimal(part):
            out += [f"{head} {tail}" for head in _forms_whole(whole)] if whole else [
                " ".join(words) for words, lone in LONE_FRACTIONS.items() if lone == Decimal(part)]
    return out
