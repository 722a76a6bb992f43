"""The layout of a visit file: one SQLite database per site visit. This text is its documentation.

Owns: the schema, its version, the marks by which a file is known to be ours. Refuses: any access; see
`visit.record.visit_file`. Meaning is append-only: rows are added, never changed, except the two columns that close a
run (and open it again when it goes on; the log says so).
"""

from __future__ import annotations

import re

APPLICATION_ID = 0x646E6F74
"""Stored in the SQLite header ("dnot"), so that another program's database is never taken for a visit."""

SCHEMA_VERSION = 6
"""Versions: 1 = first; 2 = what lies in the path, calibrations, known parts, instrument cards; 3 = steps, entries,
stages, nudges; 4 = who measures, who wants to take over; 5 = looks that were spent, leak limits that were told; 6 =
sums of the average of a run."""

CALIBRATION_TABLES = """
create table calibration (          -- a calibration made on this computer, from runs of this file
    id integer primary key,
    at_s real not null,
    kit text not null,              -- whole text of the kit file
    temperature_c real,
    short_run integer not null references run,
    open_run integer not null references run,
    load_run integer not null references run,
    thru_run integer not null references run,
    isolation_run integer references run, -- null: isolation left out
    isolation_limit real,           -- amplitude re thru under which the isolation's own noise lies (95 %)
    terms blob not null             -- NumPy archive: frequency_hz and the six error terms, as solved
);
create table known_part (           -- a part of known value read through a calibration: proof that it holds
    id integer primary key,
    at_s real not null,
    calibration_id integer references calibration, -- null: the analyzer's own correction
    run_id integer not null references run,
    part text not null,             -- 'thru', 'load', 'pad', ...
    expected_db real not null,
    seen_db real not null,
    low_db real not null,
    high_db real not null,
    good integer not null,          -- 1 or 0
    says text not null
);
create table card (                 -- what the analyzer was measured to be able to do
    id integer primary key,
    at_s real not null,
    identity text not null,
    json text not null
);
"""

DAY_TABLES = """
create table step (                 -- steps of the day as they were done or left out; the newest row of a step counts
    id integer primary key,
    at_s real not null,
    number integer not null,
    state text not null,            -- 'done' or 'skipped'
    words text not null             -- why it was left out
);
create table entry (                -- what was read by eye and written down
    id integer primary key,
    at_s real not null,
    step integer not null,
    name text not null,
    value real,                     -- null: words only
    unit text not null,
    words text not null
);
create table stage (                -- figures frozen at a stage of the visit; never changed, a later one is a new row
    id integer primary key,
    at_s real not null,
    name text not null,             -- 'as found' or 'as left'
    hookup text not null,
    run_ids text not null,          -- the runs that the figures rest on, parted by blanks
    figures text not null           -- JSON, as the command prints it
);
create table nudge (                -- one screw turned: what was said and what the sweeps show
    id integer primary key,
    at_s real not null,
    side text not null,             -- 'L' or 'H'
    cavity integer,                 -- as entered; null: not entered
    screw text not null,            -- 'rod' or 'trimmer'
    direction text not null,        -- in the technician's own words
    turns real,                     -- as entered; null: not entered
    before_run integer not null references run,
    after_run integer not null references run,
    figures text not null           -- JSON: place before, place after, movement, each with its word
);
"""

KEEPER_TABLES = """
create table keeper (               -- a process that measures into this file; the newest one that still lives counts
    id integer primary key,
    at_s real not null,
    pid integer not null,
    mark text not null,             -- boot and start of the process: a number used again by another is not taken for it
    port text not null
);
create table handover (             -- somebody asks a keeper to stop at the end of a sweep and to give the port
    id integer primary key,
    at_s real not null,
    keeper_id integer not null references keeper,
    pid integer not null            -- who asks
);
"""

LOOK_TABLES = """
create table look (                 -- a proof of the rejection was tried here, and so much of the 5 % is spent
    id integer primary key,
    at_s real not null,
    run_id integer not null references run,
    sweeps integer not null,        -- of the run when it was looked at
    number integer not null,        -- counts the looks of the run
    goal text not null,             -- what the 5 % belongs to: hook-up, stage, kind: 'A>L as found, zoom'
    nth_run integer not null,       -- counts the runs that were looked at for that goal
    chance real not null,           -- of a false proof, spent by this look
    bound_db real,                  -- rejection that it proves; null: none
    leakage real,                   -- amplitude re thru of the leak that stands in the bound; null: not known
    unique (run_id, sweeps)         -- so that no look is spent twice
);
create table told_leak (            -- the most that leaks, told by the technician from an earlier survey
    id integer primary key,
    at_s real not null,
    amplitude real not null         -- re thru, at both channels
);
"""

SUM_TABLES = """
create table sums (                 -- the average of a run's first sweeps, so that a long run is not averaged anew
    id integer primary key,
    at_s real not null,
    run_id integer not null references run,
    sweeps integer not null,        -- so many of them, from the first on
    last_sweep integer not null,    -- row of the last one
    basis text not null,            -- SHA-256 of correction, path, rules of the average; of another: not used
    digest text not null,           -- SHA-256 chained over s11 and s21 of all these sweeps as they are stored
    sums blob not null,             -- see visit.figures.kept_sums; not used where it does not fit the sweeps
    unique (run_id, basis, sweeps)
);
"""

SCHEMA = (
    """
create table about (                -- one row: who made this file
    program_version text not null,
    created_s real not null         -- Unix time
);
create table site (                 -- the site file as it was read; the newest row counts
    id integer primary key,
    at_s real not null,
    toml text not null,             -- whole text of the site file
    path text not null              -- where it came from
);
create table analyzer (             -- each time an analyzer was opened
    id integer primary key,
    at_s real not null,
    identity text not null,         -- what it says of itself, printable characters only
    profile_name text not null,
    port text not null
);
create table run (                  -- sweeps of one hook-up with one setting, averaged together
    id integer primary key,
    at_s real not null,
    analyzer_id integer references analyzer,
    purpose text not null,          -- 'live', 'check', ...
    driven text not null,           -- port of the duplexer on the analyzer's port 1: A, L, H or loads
    read text not null,             -- port of the duplexer on the analyzer's port 2
    third text not null,            -- what closes the remaining port
    path text not null default '',  -- what was put into the leads after calibration: 'pad2=10 jumper=half'
    calibration_id integer references calibration, -- applied when looked at; the sweeps are stored as they came
    start_hz real not null,         -- as the analyzer reported it back
    stop_hz real not null,
    points integer not null,
    bandwidth_hz real not null,
    level_dbm real,                 -- null: the analyzer's own level
    changes text not null,          -- what the analyzer altered without a word, one sentence a line
    planned_sweeps integer,         -- null: until stopped
    watched integer,                -- 1: somebody sees the figures and may stop; 0: nobody does, so there is one look,
                                    -- at the planned end; null: an earlier program, which wrote down no looks
    ended_s real,                   -- null: still running, or broken off by a fault of the computer
    outcome text                    -- 'complete', 'stopped', or one line saying what failed
);
create table grid (                 -- frequency points, stored once for all sweeps that share them
    id integer primary key,
    digest text not null unique,    -- SHA-256 of the blob
    frequency_hz blob not null      -- little-endian float64
);
create table sweep (                -- every sweep as it came, committed on arrival
    id integer primary key,
    run_id integer not null references run,
    sequence integer not null,      -- counts the sweeps of one opened analyzer
    started_s real not null,        -- Unix time
    duration_s real not null,
    grid_id integer not null references grid,
    s11 blob not null,              -- little-endian complex128, linear
    s21 blob not null,
    unique (run_id, sequence)       -- so that no sweep can count twice
);
create table remark (               -- log of the visit: bench actions, faults, notes
    id integer primary key,
    at_s real not null,
    kind text not null,
    words text not null
);
"""
    + CALIBRATION_TABLES
    + DAY_TABLES
    + KEEPER_TABLES
    + LOOK_TABLES
    + SUM_TABLES
)

MIGRATIONS = {
    1: """
alter table run add column path text not null default '';
alter table run add column calibration_id integer references calibration;
"""
    + CALIBRATION_TABLES,
    2: DAY_TABLES,
    3: KEEPER_TABLES,
    4: """
alter table run add column watched integer;
"""
    + LOOK_TABLES,
    5: SUM_TABLES,
}
"""What takes a file of each earlier version one version on."""

ADDED = {
    2: ("calibration", "known_part", "card", "run.path", "run.calibration_id"),
    3: ("step", "entry", "stage", "nudge"),
    4: ("keeper", "handover"),
    5: ("look", "told_leak", "run.watched"),
    6: ("sums",),
}
"""Tables and columns (table.column) that a version brought."""


def lent_script(version: int) -> str:
    """What makes a file of an earlier version look like one of the present, for this connection alone: empty temporary
    tables, and the missing columns of `run` in a temporary view. Nothing of it goes into the file."""
    later = [MIGRATIONS[step] for step in range(version, SCHEMA_VERSION)]
    tables = re.findall(r"^create table .*?^\);", "\n".join(later), re.DOTALL | re.MULTILINE)
    columns = {2: "'' as path, null as calibration_id", 5: "null as watched"}
    lent = [text for since, text in columns.items() if since > version]
    view = f"create temp view run as select *, {', '.join(lent)} from main.run;" if lent else ""  # noqa: S608
    return "\n".join([*(table.replace("create table", "create temp table", 1) for table in tables), view])
