"""Taught words: every recognizer hears them, nothing else changes, and what could be mistaken is refused."""

import random

import pytest

from hoodnote.capture.speech.sphinx import SphinxRecognizer
from hoodnote.errors import HoodnoteError
from hoodnote.language import lexicon, shop, spelling
from hoodnote.language.ambiguity import find_ambiguity
from hoodnote.language.automaton import Compiler
from hoodnote.language.clashes import examine
from hoodnote.language.grammar import language_with, load, use_shop_lexicon
from hoodnote.language.jsgf import GrammarSet, link, parse_grammar
from hoodnote.language.shop import Taught
from hoodnote.language.surface import load_surface
from hoodnote.statements.model import Measured, Step
from hoodnote.statements.parser import NotSayable, parse
from hoodnote.statements.typed import parse_text

WORDS = (Taught("beer can", "accumulator"), Taught("swapped", "replaced"), Taught("suck side", "low_side"),
         Taught("zerk", "part:pressure_relief", (("zerk", ("Z ER K",)),)))


@pytest.fixture
def taught(tmp_path):
    """The language of a shop that taught four words."""
    shop.write(tmp_path / "lexicon.toml", WORDS)
    use_shop_lexicon(tmp_path / "lexicon.toml")
    yield tmp_path / "lexicon.toml"
    use_shop_lexicon(None)


def test_a_taught_word_stands_where_the_old_one_does(taught):
    assert parse("beer can fifty two degrees f".split()) == parse("accumulator fifty two degrees f".split())
    assert parse("beer can temperature fifty".split()) == parse("accumulator temperature fifty".split())
    assert parse("swapped the beer can".split()) == [Step("replaced", "accumulator")]
    assert parse("beer can swapped".split()) == [Step("replaced", "accumulator")]
    assert parse("leak at the zerk".split()) == [Step("leak_found", "pressure_relief")]
    assert parse("suck side twelve inches".split()) == parse("low side twelve inches".split())
    assert parse_text("suck side 30 psi, beer can 52F")[0] == Measured("low_side", parse_text("low side 30 psi")[0].value, "psi")


def test_without_the_lexicon_nobody_knows_them():
    with pytest.raises(NotSayable):
        parse("beer can fifty".split())
    assert load().taught == ()


def test_all_recognizers_are_given_one_extended_language(taught, tmp_path):
    language = load()
    assert language.automaton is not language_with(()).automaton
    assert language.automaton.accepts("swapped the beer can".split())
    flat = parse_grammar(language.flat_jsgf())
    again = Compiler(GrammarSet(f"hoodnote.{next(r.name for r in flat.rules.values() if r.public)}", link({"hoodnote": flat})))
    assert again.network().determinized().equivalent(language.automaton) is None
    arcs = [line.split() for line in language.fsg().splitlines() if line.startswith("TRANSITION")]
    assert {(int(a[1]), a[4], int(a[2])) for a in arcs if len(a) == 5} == {
        (s, w, t) for s, out in enumerate(language.automaton.arcs) for w, t in out.items()}
    assert {w for p in language.phrases() for w in p.split()} == language.words
    assert SphinxRecognizer()._automaton is language.automaton
    letters = load_surface().char_automaton
    assert letters.accepts("Suck side 30 PSI, swapped the beer can.")
    assert not letters.accepts("Suck the can.")
    rng = random.Random(4)
    for _ in range(40):
        words = language.automaton.sample(rng)
        assert letters.accepts(" ".join(words)), words


def test_the_language_without_the_taught_words_is_as_before(taught):
    """Every new utterance holds a taught word, and every old one stays with its meaning."""
    extended, plain = load().automaton, language_with(()).automaton
    new = {w for t in WORDS for w in t.words} - language_with(()).words
    pruned = [{w: t for w, t in arcs.items() if w not in new} for arcs in extended.arcs]
    from hoodnote.language.automaton import minimized

    assert minimized(extended.start, pruned, set(extended.finals)).equivalent(plain) is None
    assert find_ambiguity(load().network) is None


def test_pronunciations_are_there_for_every_word(taught):
    found = lexicon.pronunciations(load().words)
    assert found["zerk"][0] == "Z ER K"
    assert found["beer"] == ["B IH R"]                 # CMU Pronouncing Dictionary


def test_guessed_pronunciations_are_learnt_from_other_words():
    """Scored on words of the CMU dictionary that were kept from the learner. Benchmarks of joint-sequence models on it
    give about 6 % of phones wrong (Bisani and Ney 2008, from memory); this small one must stay below 12 %."""
    from itertools import islice

    from rapidfuzz.distance import Levenshtein

    known = lexicon.read_dictionary(lexicon.bundled_dictionary())
    words = list(islice((w for w, _ in spelling.usable(known) if spelling.held_out(w)), 300))
    wrong = total = 0
    for word in words:
        guess = spelling.guess(word)[0].split()
        distance, length = min((Levenshtein.distance(guess, way.split()), len(way.split())) for way in known[word])
        wrong, total = wrong + distance, total + length
    assert wrong / total < 0.12


@pytest.mark.parametrize(("say", "means", "why"), [
    ("fifty", "accumulator", "said in numbers"),
    ("half moon", "accumulator", "said in numbers"),
    ("bar clamp", "suction_hose", "said in units"),
    ("read back", "replaced", "word to hoodnote itself"),
    ("no name hose", "suction_hose", "word to hoodnote itself"),
    ("correction", "replaced", "word to hoodnote itself"),
    ("low side", "high_side", "already means low_side"),
    ("accumulator", "accumulator", "understood as accumulator already"),
    ("high", "low_side", 'piece of "high side"'),
    ("won hose", "suction_hose", 'sounds the same as "one"'),
    ("low sighed", "high_side", 'sounds the same as "low side"'),
    ("pump ran for", "hold_time", "already means pump_time"),
    ("beer can", "no_such_part", "no place, part or action"),
    ("beer can", "part:ambient", "no place, part or action"),
    ("at the", "suction_hose", "word of its own"),
])
def test_refused(say, means, why):
    with pytest.raises(HoodnoteError, match=why) as refusal:
        examine(load(), Taught(say, means))
    assert "\n" not in str(refusal.value)


def test_refused_when_an_utterance_would_get_two_meanings():
    with pytest.raises(HoodnoteError, match='"key on pump on" could then mean two things'):
        examine(load(), Taught("key on pump on", "engine_running"))


def test_one_sound_apart_is_warned_of_with_the_pair():
    assert [w for w in examine(load(), Taught("bolt", "part:fuse")) if '"bolt"' in w and '"belt"' in w]
    assert examine(load(), Taught("beer can", "accumulator")) == []


def test_what_cannot_be_a_phrase():
    for text in ("", "12 volt thing", "a b c d e f", "x\ny z ☃", "<belt>"):
        with pytest.raises(HoodnoteError, match="cannot be taught"):
            shop.phrase_of(text)
    assert shop.phrase_of("  Beer-Can ") == "beer can"
    with pytest.raises(HoodnoteError, match="no pronunciation"):
        shop.phones_of("Z ERR K")


@pytest.mark.parametrize(("text", "line"), [
    ('[[word]]\nsay = "beer can"\nmeans = "accumulator"\n\n[[word]]\nsay = beer\n', "line 6"),
    ('[[word]]\nsay = "beer can"\nmeans = "accumulator"\n\n[[word]]\nsay = "pony"\n', "line 5"),
    ('[[word]]\nsay = "beer can"\nmeans = "nothing_known"\n', "line 1"),
    ('\n\n[[word]]\nsay = "fifty"\nmeans = "accumulator"\n', "line 3"),
    ('[[word]]\nsay = "zerk"\nmeans = "accumulator"\nsounds = { zerk = ["ZZ"] }\n', "line 1"),
    ('[[word]]\nsay = "zerk"\nmeans = "belt"\n[[word]]\nsay = "zerk"\nmeans = "fuse"\n', "line 4"),
    ('words = 3\n', "line 1"),
])
def test_a_damaged_lexicon_names_its_line(tmp_path, text, line):
    path = tmp_path / "lexicon.toml"
    path.write_text(text)
    use_shop_lexicon(path)
    try:
        with pytest.raises(HoodnoteError, match=line) as refusal:
            load()
        assert "\n" not in str(refusal.value) and "lexicon.toml" in str(refusal.value)
    finally:
        use_shop_lexicon(None)
    assert parse("low side thirty".split())


def test_written_and_read_back(tmp_path):
    shop.write(tmp_path / "sub" / "lexicon.toml", WORDS)
    assert shop.read(tmp_path / "sub" / "lexicon.toml") == WORDS
    assert shop.read(tmp_path / "none.toml") == ()


# the command

def test_teach_list_forget(tmp_path, capsys):
    from hoodnote.cli.main import main

    def run(*argv):
        try:
            status = main([*argv, "--data", str(tmp_path)])
        finally:
            use_shop_lexicon(None)
        out = capsys.readouterr()
        return status, out.out, out.err

    assert run("teach", "beer can", "--as", "accumulator")[:2] == (0, '"beer can" now stands for accumulator\n')
    assert run("teach", "blow off", "--as", "relief valve")[0] == 0               # a known wording names the meaning
    assert (tmp_path / "lexicon.toml").is_file()
    assert run("job", "new", "WO-7")[0] == 0
    status, out, _ = run("type", "beer can 52F")
    assert status == 0 and "accumulator: 52 °F" in out
    assert "beer can" in run("phrases", "beer")[1]
    status, out, _ = run("teach", "--list")
    assert '"beer can" stands for accumulator' in out and "pressure relief valve" in out
    status, _, err = run("teach", "beer can", "--as", "fuse")
    assert status == 2 and err.count("\n") == 1 and "already means" in err
    status, _, err = run("teach", "pony", "--as", "acumulator")
    assert status == 2 and "did you mean accumulator" in err
    assert run("teach", "--forget", "beer can")[0] == 0
    assert run("type", "beer can 52F")[0] == 2
    assert run("teach", "--forget", "beer can")[0] == 2
    assert "accumulator: 52 °F" in run("job", "show", "WO-7")[1]                  # the record stays
    (tmp_path / "lexicon.toml").write_text("[[word]\n")
    status, _, err = run("type", "low side 30")
    assert status == 2 and "line 1" in err and err.count("\n") == 1
    assert run("job", "list")[0] == 0                                            # needs no language
    assert run("type", "low side 30 psi", "--lexicon", str(tmp_path / "other.toml"))[0] == 0
