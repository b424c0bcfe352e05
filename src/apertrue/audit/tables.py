"""The audit's tables in a store.

One audit is one set of sources under one set of settings that change results; its files and their pictures hang on it.
Paths are kept as bytes: on some systems a file name need not be valid text.
"""

from ..store import Migration, columns_sql

MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        "audit/0001-pictures",
        (
            """
            create table audit_runs (
              id integer primary key,
              sources text not null,
              settings_key text not null,
              settings text not null,
              generation integer not null default 0,
              unique (sources, settings_key)
            )
            """,
            # state: 0 to do, 1 done, 2 done but to be checked by its hash
            """
            create table audit_files (
              audit integer not null references audit_runs (id) on delete cascade,
              key blob not null,
              path text not null,
              source text not null,
              folder text not null,
              sheet text,
              size integer not null,
              mtime_ns integer not null,
              digest text,
              problem text,
              state integer not null default 0,
              next_page integer not null default 0,
              failure text,
              generation integer not null,
              primary key (audit, key)
            ) without rowid
            """,
            "create index audit_files_state on audit_files (audit, state, key)",
            f"""
            create table audit_pictures (
              audit integer not null,
              key blob not null,
              place integer not null,
              taken_unix real,
              session text,
              outlines text,
              image blob,
              {columns_sql()},
              primary key (audit, key, place),
              foreign key (audit, key) references audit_files (audit, key) on delete cascade
            )
            """,
            "create index audit_pictures_time on audit_pictures (audit, taken_unix)",
        ),
    ),
    # What it did, each run does now: fields that the registry has gained get their columns.
    Migration("audit/0002-combined-frames"),
    Migration(
        "audit/0003-frozen",
        (
            # The fingerprint of the pixels, to see the same frame again; a file's pages that were judged as frozen.
            "alter table audit_pictures add column digest text",
            "alter table audit_files add column frozen text",
            "create index audit_pictures_digest on audit_pictures (audit, digest)",
        ),
    ),
    # How many files were left out because their names say that they are no pictures, by ending (JSON).
    Migration("audit/0004-other-files", ("alter table audit_runs add column others text",)),
    # Of a file whose worker had to be stopped: TO_COUNT, then its number of pages, each of which is a task of its own.
    Migration("audit/0005-page-by-page", ("alter table audit_files add column pages integer",)),
    # Whether the worker had to be stopped over a page, or it was not tried since that happened too often in a row.
    Migration("audit/0006-stopped", ("alter table audit_pictures add column stopped integer not null default 0",)),
)

TO_DO, DONE, TO_CHECK = 0, 1, 2
#: ``pages`` of a file of which it must first be told how many it has.
TO_COUNT = -1
#: ``place`` of the row that says why a whole file could not be read; pages count from 0.
WHOLE_FILE = -1
