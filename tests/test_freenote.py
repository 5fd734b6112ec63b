"""Free notes: kept, found again, printed under their own heading, and never a reading, a question or the ground of a check."""

import json
import sqlite3
from datetime import UTC, datetime
from decimal import Decimal

import jsonschema
import numpy as np
import pytest

from hoodnote.capture.speech.recognizer import HeardWord, Hypothesis
from hoodnote.checks import assess, evaluate
from hoodnote.errors import HoodnoteError
from hoodnote.intake import freenote
from hoodnote.intake.hear import hear_capture
from hoodnote.intake.listening import decided, gather_all
from hoodnote.intake.opening import may_announce
from hoodnote.intake.typed import type_text
from hoodnote.jobs import migrations, schema
from hoodnote.jobs.store import DATABASE, Store
from hoodnote.note import as_html, as_json, as_markdown, as_text
from hoodnote.note.build import build_note
from hoodnote.note.compose import compose
from hoodnote.readings.model import Standing
from hoodnote.readings.timeline import build
from hoodnote.statements.describe import describe
from hoodnote.statements.model import Control, FreeNote, Measured, from_json, subject, to_json

from tests.note_samples import US, repaired_leak

SOUND = np.zeros(16_000, np.float32)
STORY = "the customer says it started after the front end repair, low side thirty p s i"


class Listener:
    """Hears what it is told, like a recognizer."""

    def __init__(self, name: str, said: str, confidence: float = 0.97):
        self.name, self.said, self.confidence = name, said, confidence

    def recognize(self, samples, n_best=5):
        words = tuple(HeardWord(w, i * 0.3, i * 0.3 + 0.3, self.confidence) for i, w in enumerate(self.said.split()))
        return [Hypothesis(words, 0.0, self.confidence)] if words else []


class Writer(Listener):
    """Can write down free speech too."""

    def __init__(self, name: str, said: str, free: str):
        super().__init__(name, said)
        self.free, self.asked = free, 0

    def transcribe_free(self, samples, goes_on=None):
        self.asked += 1
        words = self.free.split()
        return "" if goes_on and not all(goes_on(" ".join(words[:i])) for i in range(1, len(words) + 1)) else self.free


class NearBy(Listener):
    """Hears the same, whatever the others have heard."""

    def recognize_near(self, samples, heard, n_best=5):
        return self.recognize(samples, n_best)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path) as opened:
        yield opened


@pytest.fixture
def job(store):
    return store.create_job("WO-31")


def hear(store, job, first: str, second: str, free: str):
    number = len(store.captures(job)) + 1
    kept = store.keep_bytes(f"clip {number}".encode(), ".wav")
    capture = store.add_capture(job, "clip", sha256=kept.sha256, original_name=f"clip-{number}.wav")
    writer = Writer("neural", first, free)
    return hear_capture(store, job, capture, SOUND, [writer, Listener("pocketsphinx", second)]), writer


def test_the_control_word_and_on_is_kept_as_a_free_note(store, job):
    taken, _ = hear(store, job, "memo", "blower noisy", f"Free note, {STORY}")
    (entry,) = taken.entries
    assert entry.statement == FreeNote(STORY)
    assert entry.standing is Standing.UNCONFIRMED and entry.question is None
    assert store.pending(job) == [] and store.media_intact(taken.capture.sha256)
    assert [a.text for a in store.accounts(taken.capture.id)] == [f"Free note, {STORY}"]


@pytest.mark.parametrize(("free", "rest"), [
    ("Free note. The belt squeals.", "The belt squeals."), ("Three note the belt squeals", "the belt squeals"),
    ("free node, the belt squeals", "the belt squeals"), ("Memo: belt squeals", "belt squeals"),
    ("Freenoat, the belt squeals", "the belt squeals"), ("For he note, the belt squeals", "the belt squeals"),
    ("Free note.", ""), ("Memo", ""), ("Free note to the customer", "to the customer"), ("A memo: call first", "call first"),
    ("Low side thirty", None), ("Three volts at the fuse", None), ("Freeze switch in twelve volts", None), ("", None),
    ("free", None), ("Freeze switch", None), ("Three ohms at the clutch coil", None), ("Metal in compressor", None), ("no power at the fuse", None),
])
def test_the_opening_words(free, rest):
    assert freenote.without_opening(free) == rest


def test_two_listeners_who_agree_on_something_else_are_believed(store, job):
    taken, writer = hear(store, job, "low side thirty p s i", "low side thirty p s i", "Free note side thirty PSI")
    assert taken.entries[0].statement == Measured("low_side", Decimal(30), "psi")
    assert writer.asked == 0                                    # nothing was spent on it either


@pytest.mark.parametrize("last", [(), ("blower noisy",)])
def test_what_was_written_when_the_clip_was_heard_ahead_is_not_written_again(store, job, last):
    kept = store.keep_bytes(b"clip", ".wav")
    capture = store.add_capture(job, "clip", sha256=kept.sha256, original_name="a.wav")
    writer = Writer("neural", "memo", f"Free note, {STORY}")
    engines = [writer, Listener("phones", "fuse is blown"), *(NearBy("pocketsphinx", said) for said in last)]
    gathered = gather_all(engines, SOUND)
    assert gathered.freely == writer.free and writer.asked == 1
    taken = hear_capture(store, job, capture, SOUND, engines, heard=(decided(gathered), gathered))
    assert taken.entries[0].statement == FreeNote(STORY) and writer.asked == 1


@pytest.mark.parametrize(("written", "may"), [
    ("", True), ("The", True), ("Free", True), ("Low side thirty", True), ("Low side thirty P", False), ("For he note the", True),
    ("Free note, low side thirty PSI", True), ("A memo: call the customer first", True), ("Did you see the game", False), ("The customer says it", False),
])
def test_what_may_still_announce_a_free_note(written, may):
    assert may_announce(written) is may


def test_a_transcript_that_begins_with_other_words_is_not_written_to_its_end_unless_it_is_wanted(store, job):
    writer = Writer("neural", "low side thirty", STORY)
    assert gather_all([writer, Listener("phones", "blower noisy")], SOUND).freely == ""
    assert hear(store, job, "low side thirty", "blower noisy", STORY)[0].entries[0].question
    hear(store, job, "free note", "free note", "Free note.")
    assert hear(store, job, "low side thirty", "blower noisy", STORY)[0].entries[0].statement == FreeNote(STORY)
    text = "Mabel, customer wants a call before any work"
    engines = [Writer("neural", "low side thirty", text), Listener("phones", "blower noisy"), NearBy("pocketsphinx", "memo")]
    capture = store.add_capture(job, "clip", sha256=store.keep_bytes(b"another", ".wav").sha256, original_name="b.wav")
    assert hear_capture(store, job, capture, SOUND, engines).entries[0].statement == FreeNote(text)     # the last listener heard the words


def test_what_is_no_free_note_stays_a_question(store, job):
    taken, _ = hear(store, job, "low side thirty p s i", "low side forty p s i", "Low side thirty PSI.")
    assert taken.entries[0].question and not isinstance(taken.entries[0].statement, FreeNote)


def test_a_transcript_that_spells_the_opening_in_its_own_way(store, job):
    """One of the two listeners must have heard it then, and what follows must be no statement."""
    text = "Mabel, customer wants a call before any work"
    assert hear(store, job, "memo", "blower noisy", text)[0].entries[0].statement == FreeNote(text)
    assert hear(store, job, "fuse is blown", "blower noisy", text)[0].entries[0].question
    doubtful = hear(store, job, "memo", "low side thirty p s i", "Low side thirty PSI.")[0]
    assert not any(isinstance(e.statement, FreeNote) for e in doubtful.entries)
    assert hear(store, job, "memo", "memo", "Mamma.")[0].entries[0].statement == Control("memo")


def test_a_clip_after_a_lone_free_note_is_one_whatever_it_says(store, job):
    first, _ = hear(store, job, "free note", "free note", "Free note.")
    assert first.entries[0].statement == Control("memo")
    second, _ = hear(store, job, "low side thirty", "low side thirty", STORY)
    assert second.entries[0].statement == FreeNote(STORY)
    third, _ = hear(store, job, "low side thirty p s i", "low side thirty p s i", STORY)
    assert third.entries[0].statement == Measured("low_side", Decimal(30), "psi")      # one clip only


def test_one_listener_alone_opens_nothing(store, job):
    """Whatever was decided on the words, a reading that follows must not be lost to a note that nobody announced."""
    hear(store, job, "memo", "blower noisy", "Memo")
    taken, _ = hear(store, job, "low side thirty p s i", "low side thirty p s i", STORY)
    assert taken.entries[0].statement == Measured("low_side", Decimal(30), "psi")


def test_a_control_word_after_a_lone_free_note_is_still_one(store, job):
    type_text(store, job, "low side 30 psi")
    type_text(store, job, "free note")
    taken, _ = hear(store, job, "scratch that", "scratch that", "Scratch that.")
    assert taken.entries[0].statement == Control("withdraw")


def test_a_typed_free_note_opens_one_too(store, job):
    type_text(store, job, "free note")
    taken, _ = hear(store, job, "", "", "")
    assert taken.entries[0].statement == FreeNote("")           # kept, although nothing could be written down
    assert "listen to the clip" in describe(taken.entries[0].statement)


def test_scratch_that_takes_the_free_note_back_and_nothing_else(store, job):
    type_text(store, job, "low side 30 psi")
    hear(store, job, "memo", "memo", f"Free note {STORY}")
    type_text(store, job, "scratch that")
    timeline = build(store.entries(job))
    assert timeline.free_notes == ()
    assert [x.entry.statement.place for x in timeline.live] == ["low_side"]
    assert any(e.statement == FreeNote(STORY) for e in timeline.entries)        # on record for good


def test_without_a_listener_who_writes_nothing_changes(store, job):
    kept = store.keep_bytes(b"clip", ".wav")
    capture = store.add_capture(job, "clip", sha256=kept.sha256, original_name="a.wav")
    taken = hear_capture(store, job, capture, SOUND, [Listener("one", "free note"), Listener("two", "free note")])
    assert taken.entries[0].statement == Control("memo")
    with pytest.raises(HoodnoteError, match="no listener here can write down free speech"):
        freenote.transcriber_of([Listener("one", "")])


def test_live_listening_can_take_one(store, job):
    kept = store.keep_bytes(b"clip", ".wav")
    capture = store.add_capture(job, "clip", sha256=kept.sha256)
    taken = freenote.take_free_note(store, job, capture, SOUND, Writer("neural", "", "Static high side ninety."))
    assert taken.entries[0].statement == FreeNote("Static high side ninety.")
    assert taken.warnings == () and store.pending(job) == []


def test_never_a_figure_a_question_or_the_ground_of_a_check():
    """A whole job with and without free notes full of figures and dangers: the same checks, questions, readings and lines."""
    plain, noted = repaired_leak(), repaired_leak()
    for text in ("low side thirty p s i", "leak test with oxygen", "charged nineteen ounces", "engine off", ""):
        noted.add(FreeNote(text), "unconfirmed")
    assert noted.timeline.live == plain.timeline.live and noted.timeline.questions == plain.timeline.questions
    assert evaluate(noted.timeline) == evaluate(plain.timeline)
    with_notes, without = (build_note(US, r.timeline, assess(r.timeline), ()) for r in (noted, plain))
    assert len(with_notes.free_notes) == 5 and without.free_notes == ()
    for part in ("summary", "findings", "readings", "balance", "circuit", "vacuum", "work", "remarks", "questions", "cautions", "sources"):
        assert getattr(with_notes, part) == getattr(without, part), part


def test_kept_as_json_and_back():
    assert from_json(to_json(FreeNote(STORY))) == FreeNote(STORY)
    assert subject(FreeNote("a")) == subject(FreeNote("b"))


def test_the_note_shows_it_under_its_own_heading_in_all_formats(store, job):
    hear(store, job, "memo", "memo", "Free note <b>bolt</b> & washer_x *gone*")
    note = compose(store, job)
    html, markdown, text = as_html.render(note), as_markdown.render(note), as_text.render(note)
    assert "Free notes (unverified transcript)" in html and "&lt;b&gt;bolt&lt;/b&gt; &amp; washer_x" in html and "<b>bolt" not in html
    assert "## Free notes (unverified transcript)" in markdown and r"\<b\>bolt" in markdown
    assert "FREE NOTES (UNVERIFIED TRANSCRIPT)" in text and "clip-1.wav" in text
    data = json.loads(as_json.render(note))
    jsonschema.validate(data, as_json.schema())
    assert data["free_notes"][0]["text"] == "<b>bolt</b> & washer_x *gone*" and data["questions"] == []
    empty = compose(store, store.create_job("WO-32"))
    assert "Free notes" not in as_html.render(empty) + as_markdown.render(empty) and "FREE NOTES" not in as_text.render(empty)


# searching

def test_search_finds_what_was_said_typed_and_noted(store, job):
    other = store.create_job("WO-32")
    hear(store, job, "memo", "memo", f"Free note {STORY}")
    type_text(store, other, "leak at the suction hose")
    hear(store, other, "suction hose leaking", "suction hose leaking", "")
    assert [(f.work_order, f.kind) for f in store.search("customer repairs")] == [("WO-31", "free note")]      # by the stem of the word
    assert sorted((f.work_order, f.kind) for f in store.search("suction leak")) == [("WO-32", "heard"), ("WO-32", "typed")]
    assert store.search("suction customer") == []
    for odd in ('"', "a AND", "NEAR(", "x* -y", "o'ring", "col:umn"):
        store.search(odd)                                       # an expression of the search engine is plain words here


def test_search_finds_a_complaint_once(tmp_path, capsys):
    from hoodnote.cli.main import main

    assert main(["job", "new", "WO-9", "--complaint", "whistles at idle", "--data", str(tmp_path)]) == 0
    capsys.readouterr()
    assert main(["search", "whistling", "--data", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert out.count("\n") == 1 and "WO-9" in out and "whistles at idle" in out and "complaint" in out
    assert main(["search", "nothing such", "--data", str(tmp_path)]) == 0
    assert "nothing that was said" in capsys.readouterr().out
    assert main(["search", "***", "--data", str(tmp_path)]) == 2


def test_an_older_record_becomes_searchable(tmp_path):
    path = tmp_path / DATABASE
    connection = sqlite3.connect(path, isolation_level=None)
    migrations.migrate(connection, path, (schema.create_first_tables,))
    now = datetime.now(UTC).isoformat()
    connection.execute("INSERT INTO jobs VALUES (1, 'WO-1', ?, 'us')", (now,))
    connection.execute("INSERT INTO captures VALUES (1, 1, 'typed', NULL, 'leak at the compressor', NULL, ?)", (now,))
    connection.execute("INSERT INTO captures VALUES (2, 1, 'clip', ?, NULL, 'a.wav', ?)", ("0" * 64, now))
    connection.execute("INSERT INTO accounts VALUES (1, 2, 'neural', 0, 'blower noisy', 0.9, NULL, ?)", (now,))
    connection.execute("INSERT INTO entries VALUES (1, 1, 1, ?, 'confirmed', '{}', NULL, '[]', NULL, NULL, ?)",
                       (json.dumps({"kind": "fact", "key": "complaint", "value": "warm at idle"}), now))
    connection.close()
    with Store.open(tmp_path) as store:
        assert [f.text for f in store.search("leaks")] == ["leak at the compressor"]
        assert [(f.kind, f.original_name) for f in store.search("noisy")] == [("heard", "a.wav")]
        assert [f.kind for f in store.search("idle")] == ["complaint"]
    assert list(tmp_path.glob("*-version1-*"))                   # a copy of what it was


def test_the_numbers_of_entries_are_not_disturbed_by_the_index(store, job):
    for n in range(30):
        entry = type_text(store, job, "low side 30 psi").entries[0]
        assert entry.id == store.entries(job)[-1].id == n + 1


def test_hear_free_from_the_command_line(tmp_path, capsys, monkeypatch):
    import soundfile

    from hoodnote.cli import taking
    from hoodnote.cli.main import main

    clip = tmp_path / "story.wav"
    soundfile.write(clip, np.random.default_rng(1).normal(0, 0.1, 16_000), 16_000)
    monkeypatch.setattr(taking, "_engines", lambda args: [Writer("neural", "low side thirty", STORY)])
    assert main(["job", "new", "WO-3", "--data", str(tmp_path)]) == 0
    assert main(["hear", "--free", str(clip), "--data", str(tmp_path)]) == 0
    assert "unverified transcript" in capsys.readouterr().out
    assert main(["job", "show", "WO-3", "--data", str(tmp_path)]) == 0
    shown = capsys.readouterr().out
    assert "free notes" in shown and STORY in shown and "open questions" not in shown and "superseded" not in shown
    assert main(["search", "front end", "--data", str(tmp_path)]) == 0
    assert STORY in capsys.readouterr().out
    monkeypatch.setattr(taking, "_engines", lambda args: [Listener("pocketsphinx", "")])
    assert main(["hear", "--free", str(clip), "--data", str(tmp_path)]) == 2
