"""Tables of the job record. Whatever was heard, seen, typed or told is only ever added, never altered:
triggers refuse the rest, so a later figure can supersede an earlier one but not hide it.
"""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x686E6F74   # "hnot": tells our file from another program's SQLite file

_TABLES = """
CREATE TABLE jobs (
    id INTEGER PRIMARY KEY,
    work_order TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (length(work_order) > 0),
    opened_at TEXT NOT NULL,
    units TEXT NOT NULL CHECK (units IN ('us', 'metric'))
) STRICT;

CREATE TABLE captures (
    id INTEGER PRIMARY KEY,
    job_id INTEGER NOT NULL REFERENCES jobs(id),
    medium TEXT NOT NULL CHECK (medium IN ('clip', 'photo', 'typed')),
    sha256 TEXT CHECK (sha256 IS NULL OR length(sha256) = 64),
    text TEXT,
    original_name TEXT,
    captured_at TEXT NOT NULL,
    UNIQUE (job_id, id),
    CHECK ((medium = 'typed') = (sha256 IS NULL)),
    CHECK (sha256 IS NOT NULL OR text IS NOT NULL)
) STRICT;

CREATE TABLE accounts (
    id INTEGER PRIMARY KEY,
    capture_id INTEGER NOT NULL REFERENCES captures(id),
    reader TEXT NOT NULL,
    rank INTEGER NOT NULL CHECK (rank >= 0),
    text TEXT NOT NULL,
    confidence REAL CHECK (confidence IS NULL OR confidence BETWEEN 0 AND 1),
    detail TEXT CHECK (detail IS NULL OR json_valid(detail)),
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE entries (
    id INTEGER PRIMARY KEY,
    job_id INTEGER NOT NULL REFERENCES jobs(id),
    capture_id INTEGER,
    statement TEXT CHECK (statement IS NULL OR json_valid(statement)),
    standing TEXT NOT NULL CHECK (standing IN ('agreed', 'confirmed', 'unconfirmed')),
    origin TEXT NOT NULL CHECK (json_valid(origin)),
    confidence REAL CHECK (confidence IS NULL OR confidence BETWEEN 0 AND 1),
    versions TEXT NOT NULL CHECK (json_valid(versions)),
    supersedes INTEGER,
    question TEXT,
    recorded_at TEXT NOT NULL,
    UNIQUE (job_id, id),
    FOREIGN KEY (job_id, capture_id) REFERENCES captures(job_id, id),
    FOREIGN KEY (job_id, supersedes) REFERENCES entries(job_id, id)
) STRICT;

CREATE TABLE outcomes (
    id INTEGER PRIMARY KEY,
    capture_id INTEGER NOT NULL REFERENCES captures(id),
    state TEXT NOT NULL CHECK (state IN ('done', 'failed')),
    message TEXT NOT NULL,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE warnings (
    id INTEGER PRIMARY KEY,
    job_id INTEGER NOT NULL REFERENCES jobs(id),
    entry_id INTEGER,
    warning TEXT NOT NULL,
    text TEXT NOT NULL,
    basis TEXT NOT NULL CHECK (json_valid(basis)),
    source TEXT NOT NULL,
    shown_at TEXT NOT NULL,
    FOREIGN KEY (job_id, entry_id) REFERENCES entries(job_id, id)
) STRICT;

CREATE INDEX captures_of_job ON captures(job_id);
CREATE INDEX accounts_of_capture ON accounts(capture_id);
CREATE INDEX outcomes_of_capture ON outcomes(capture_id);
CREATE INDEX warnings_of_job ON warnings(job_id);
"""

KEPT_TABLES = ("jobs", "captures", "accounts", "entries", "outcomes", "warnings")

# REPLACE deletes without firing delete triggers unless a connection asks for it, hence the third.
_KEPT = """
CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table}
    BEGIN SELECT RAISE(ABORT, 'the record of {table} is never changed'); END;
CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table}
    BEGIN SELECT RAISE(ABORT, 'the record of {table} is never deleted'); END;
CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id)
    BEGIN SELECT RAISE(ABORT, 'the record of {table} is never replaced'); END;
"""


def run_script(connection: sqlite3.Connection, script: str) -> None:
    """Runs statements one by one inside the transaction that is open (`executescript` would commit it)."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""
    if statement.strip():
        raise ValueError(f"unfinished SQL: {statement.strip()[:60]}")


def create_first_tables(connection: sqlite3.Connection) -> None:
    run_script(connection, _TABLES + "".join(_KEPT.format(table=table) for table in KEPT_TABLES))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


# The words of all jobs for `Store.search`. An index made from the kept tables: it could be made again, so it has no triggers of its own.
_SEARCHABLE = """
CREATE VIRTUAL TABLE searchable USING fts5(
    text, kind UNINDEXED, job_id UNINDEXED, capture_id UNINDEXED, said_at UNINDEXED, tokenize = 'porter unicode61 remove_diacritics 2'
);
CREATE TRIGGER captures_searchable AFTER INSERT ON captures WHEN NEW.text IS NOT NULL
BEGIN
    INSERT INTO searchable SELECT NEW.text, 'typed', NEW.job_id, NEW.id, NEW.captured_at;
END;
CREATE TRIGGER accounts_searchable AFTER INSERT ON accounts WHEN NEW.rank = 0 AND NEW.text <> ''
BEGIN
    INSERT INTO searchable SELECT NEW.text, iif(medium = 'photo', 'label', 'heard'), job_id, id, captured_at FROM captures WHERE id = NEW.capture_id;
END;
CREATE TRIGGER entries_searchable AFTER INSERT ON entries WHEN json_extract(NEW.statement, '$.kind') IN ('fact', 'free note')
BEGIN
    INSERT INTO searchable SELECT coalesce(json_extract(NEW.statement, '$.text'), json_extract(NEW.statement, '$.value')),
        coalesce(json_extract(NEW.statement, '$.key'), 'free note'), NEW.job_id, NEW.capture_id, NEW.recorded_at;
END;
INSERT INTO searchable SELECT text, 'typed', job_id, id, captured_at FROM captures WHERE text IS NOT NULL;
INSERT INTO searchable SELECT a.text, iif(c.medium = 'photo', 'label', 'heard'), c.job_id, c.id, c.captured_at
    FROM accounts a JOIN captures c ON c.id = a.capture_id WHERE a.rank = 0 AND a.text <> '' ORDER BY a.id;
INSERT INTO searchable SELECT json_extract(statement, '$.value'), json_extract(statement, '$.key'), job_id, capture_id, recorded_at
    FROM entries WHERE json_extract(statement, '$.kind') = 'fact' ORDER BY id;
"""


def make_searchable(connection: sqlite3.Connection) -> None:
    run_script(connection, _SEARCHABLE)


# What pages send may come twice and late: `delivery` is the sender's own name for it, made once, under which it is kept once.
# `told`: what the sender said of it (what a photo shows, how long ago it was taken). `acts`: who did what in the pages, and when.
_SENT = """
CREATE TABLE deliveries (
    id INTEGER PRIMARY KEY,
    delivery TEXT NOT NULL UNIQUE CHECK (length(delivery) BETWEEN 8 AND 64),
    job_id INTEGER NOT NULL,
    capture_id INTEGER NOT NULL UNIQUE,
    told TEXT NOT NULL CHECK (json_valid(told)),
    FOREIGN KEY (job_id, capture_id) REFERENCES captures(job_id, id)
) STRICT;

CREATE TABLE acts (
    id INTEGER PRIMARY KEY,
    job_id INTEGER NOT NULL REFERENCES jobs(id),
    person TEXT NOT NULL CHECK (length(person) > 0),
    role TEXT NOT NULL CHECK (length(role) > 0),
    what TEXT NOT NULL CHECK (length(what) > 0),
    entry_id INTEGER,
    capture_id INTEGER,
    done_at TEXT NOT NULL,
    FOREIGN KEY (job_id, entry_id) REFERENCES entries(job_id, id),
    FOREIGN KEY (job_id, capture_id) REFERENCES captures(job_id, id)
) STRICT;

CREATE INDEX acts_of_job ON acts(job_id);

CREATE TRIGGER deliveries_once BEFORE INSERT ON deliveries
    WHEN EXISTS (SELECT 1 FROM deliveries WHERE delivery = NEW.delivery OR capture_id = NEW.capture_id)
    BEGIN SELECT RAISE(ABORT, 'the record of deliveries is never replaced'); END;
"""

SENT_TABLES = ("deliveries", "acts")


def add_what_is_sent(connection: sqlite3.Connection) -> None:
    run_script(connection, _SENT + "".join(_KEPT.format(table=table) for table in SENT_TABLES))
