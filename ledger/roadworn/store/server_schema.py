"""The tables of a ledger on a PostgreSQL server: guards, roles, and how events get their number.

Events and checkpoints are those of the file (`roadworn.store.schema`). Where several write at once
an event is first put into `inbox` with its leaf; `seal` takes whatever waits there, numbers it,
and writes a checkpoint after each, so that one commit serves everybody who waits. What is in the
inbox was acknowledged to nobody, so that table is not logged.

Three roles that no one logs in with, named after the database, are granted to accounts:
``shop_reader`` (events, no names and no plates), ``shop_writer`` (adds events under its own name,
keeps contacts) and ``shop_administrator``, which owns everything and may put a backup back.
"""

import json
from functools import cache
from pathlib import Path
from typing import NamedTuple

#: As `roadworn.store.schema.SHAPE`, for the same rows.
SHAPE = 2
SCHEMA = "roadworn"
#: Advisory locks, which the server keeps for each database: all that is written, one vehicle's
#: writing, and sealing.
ALL, VEHICLE, SEALING = 0x5264776E01, 0x5264776E, 0x5264776E02

_TABLES = {
    "events": """
        seq bigint PRIMARY KEY, event_id text COLLATE "C" NOT NULL,
        vehicle_id text COLLATE "C" NOT NULL, kind text COLLATE "C" NOT NULL,
        version integer NOT NULL, occurred_at text COLLATE "C" NOT NULL,
        recorded_at text COLLATE "C" NOT NULL, recorded_by text COLLATE "C" NOT NULL,
        source text COLLATE "C" NOT NULL, odometer double precision, odometer_unit text COLLATE "C",
        payload text COLLATE "C" NOT NULL, intake_key text COLLATE "C", leaf bytea NOT NULL""",
    "checkpoints": """
        size bigint PRIMARY KEY, root text COLLATE "C" NOT NULL, peaks bytea NOT NULL,
        made_at text COLLATE "C" NOT NULL""",
    "contacts": """
        reference text COLLATE "C" PRIMARY KEY, name text, phone text, address text, note text""",
    "plates": 'vehicle_id text COLLATE "C" PRIMARY KEY, plate text COLLATE "C" NOT NULL',
    "imports": """
        size bigint PRIMARY KEY, after bigint NOT NULL, file text NOT NULL,
        made_at text NOT NULL""",
    "import_rows": """
        mark text COLLATE "C", map text COLLATE "C", seq bigint NOT NULL,
        PRIMARY KEY (mark, map)""",
    "shape": "number integer NOT NULL",
}
#: Index -> (unique, columns, of which events).
_INDEXES = {
    "events_event_id": ("UNIQUE", "event_id", ""),
    "events_intake_key": ("UNIQUE", "intake_key", "WHERE intake_key IS NOT NULL"),
    "events_enrolment": ("", "vehicle_id", "WHERE kind = 'enrolment'"),
    "events_replacement": ("", "vehicle_id, odometer", "WHERE kind = 'replacement'"),
    "events_retraction": ("", "vehicle_id", "WHERE kind = 'retraction'"),
    "events_merge": ("", "vehicle_id", "WHERE kind = 'merge'"),
    "events_vehicle": ("", "vehicle_id, seq", ""),
}


class Routine(NamedTuple):
    """A function: its head, and the body between the dollars."""

    head: str
    body: str


_SAFE = "SECURITY DEFINER SET search_path = roadworn, pg_catalog, pg_temp"
ROUTINES = {
    # Two words of SQLite that the ledger's questions are written in.
    "json_each": Routine(
        "json_each(told text) RETURNS TABLE (value text) LANGUAGE sql IMMUTABLE",
        " SELECT json_array_elements_text(told::json) ",
    ),
    "json_extract": Routine(
        "json_extract(told text, path text) RETURNS text LANGUAGE sql IMMUTABLE",
        # A NUL, which JSON can say and no text of PostgreSQL hold, stands in no field asked for.
        r""" SELECT (CASE WHEN strpos(told, '\u0000') = 0 THEN told ELSE
        regexp_replace(told, '(^|[^\\])((\\\\)*)\\u0000', '\1\2', 'g') END)::json
        #>> string_to_array(substr(path, 3), '.') """,
    ),
    "never": Routine(
        "never() RETURNS trigger LANGUAGE plpgsql",
        """ BEGIN
        RAISE 'append-only: % are never changed or deleted; record a retraction or a correction '
            'instead', TG_TABLE_NAME USING ERRCODE = 'RW001';
        END """,
    ),
    "in_order": Routine(
        "in_order() RETURNS trigger LANGUAGE plpgsql",
        """ DECLARE low bigint; high bigint; many bigint;
        BEGIN
        SELECT min(seq), max(seq), count(*) INTO low, high, many FROM added;
        IF many = 0 THEN RETURN NULL; END IF;
        IF high <> low + many - 1
            OR low <> (SELECT coalesce(max(seq), 0) + 1 FROM events WHERE seq < low)
            OR high <> (SELECT max(seq) FROM events) THEN
            RAISE 'append-only: seq must be the next number' USING ERRCODE = 'RW001';
        END IF;
        IF NOT of_administrator() AND EXISTS (
            SELECT 1 FROM added WHERE recorded_by <> session_user) THEN
            RAISE 'an event is recorded by the account that writes it' USING ERRCODE = 'RW001';
        END IF;
        RETURN NULL;
        END """,
    ),
    "of_present": Routine(
        "of_present() RETURNS trigger LANGUAGE plpgsql",
        """ BEGIN
        IF (SELECT max(size) FROM added) <> (SELECT coalesce(max(seq), 0) FROM events)
            OR EXISTS (
                SELECT 1 FROM checkpoints WHERE size > (SELECT min(size) FROM added)
                AND size NOT IN (SELECT size FROM added)) THEN
            RAISE 'append-only: a checkpoint is of the present size' USING ERRCODE = 'RW001';
        END IF;
        RETURN NULL;
        END """,
    ),
    "own_name": Routine(
        "own_name() RETURNS trigger LANGUAGE plpgsql",
        """ BEGIN
        IF NEW.recorded_by <> session_user AND NOT of_administrator() THEN
            RAISE 'an event is recorded by the account that writes it' USING ERRCODE = 'RW001';
        END IF;
        RETURN NEW;
        END """,
    ),
    "of_administrator": Routine(
        "of_administrator() RETURNS boolean LANGUAGE sql STABLE",
        # `seal` runs as the administrator, whoever calls it: the inbox has asked for the name.
        """ SELECT pg_has_role(current_user, nspowner, 'MEMBER') FROM pg_namespace
        WHERE nspname = 'roadworn' """,
    ),
    "seal": Routine(
        f"seal(wanted text) RETURNS bigint LANGUAGE plpgsql {_SAFE}",
        rf""" DECLARE
            r record; filled bigint; edge bytea[] := '{{}}'; packed bytea; node bytea;
            bits bigint; taken bigint[] := '{{}}'; found bigint; root bytea;
            made events[]; marks checkpoints[]; tries integer := 0;
        BEGIN
        -- All who wait for one commit go on together, and most find that it was theirs, too.
        WHILE NOT pg_try_advisory_xact_lock({SEALING}) LOOP
            PERFORM pg_advisory_lock_shared({SEALING}), pg_advisory_unlock_shared({SEALING});
            SELECT seq INTO found FROM events WHERE event_id = wanted;
            IF found IS NOT NULL THEN RETURN found; END IF;
            tries := tries + 1;
            IF tries > 1 THEN PERFORM pg_sleep(0.001); END IF;
        END LOOP;
        SELECT seq INTO found FROM events WHERE event_id = wanted;
        IF found IS NOT NULL THEN RETURN found; END IF;
        SELECT size, peaks INTO filled, packed FROM checkpoints ORDER BY size DESC LIMIT 1;
        filled := coalesce(filled, 0);
        FOR at IN 0 .. coalesce(length(packed), 0) / 32 - 1 LOOP
            edge := edge || substr(packed, at * 32 + 1, 32);
        END LOOP;
        FOR r IN SELECT * FROM inbox ORDER BY number LOOP
            taken := taken || r.number;
            CONTINUE WHEN EXISTS (SELECT 1 FROM events WHERE event_id = r.event_id)
                OR EXISTS (SELECT 1 FROM events WHERE intake_key = r.intake_key)
                OR EXISTS (SELECT 1 FROM unnest(made) AS m
                    WHERE m.event_id = r.event_id OR m.intake_key = r.intake_key);
            bits := filled;
            filled := filled + 1;
            made := made || ROW(filled, r.event_id, r.vehicle_id, r.kind, r.version,
                r.occurred_at, r.recorded_at, r.recorded_by, r.source, r.odometer,
                r.odometer_unit, r.payload, r.intake_key, r.leaf)::events;
            IF r.event_id = wanted THEN found := filled; END IF;
            -- As CompactRange.append: each trailing one is a perfect subtree of the same width.
            node := r.leaf;
            WHILE bits % 2 = 1 LOOP
                node := sha256('\x01'::bytea || edge[cardinality(edge)] || node);
                edge := edge[1:cardinality(edge) - 1];
                bits := bits / 2;
            END LOOP;
            edge := edge || node;
            root := edge[cardinality(edge)];
            packed := root;
            FOR at IN REVERSE cardinality(edge) - 1 .. 1 LOOP
                root := sha256('\x01'::bytea || edge[at] || root);
                packed := edge[at] || packed;
            END LOOP;
            marks := marks || ROW(filled, encode(root, 'hex'), packed, to_char(
                clock_timestamp() AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"'))::checkpoints;
        END LOOP;
        IF made IS NOT NULL THEN
            INSERT INTO events SELECT * FROM unnest(made);
            INSERT INTO checkpoints SELECT * FROM unnest(marks);
        END IF;
        DELETE FROM inbox WHERE number = ANY (taken);
        RETURN found;
        END """,
    ),
}
_CHANGES = "BEFORE UPDATE OR DELETE OR TRUNCATE ON {} FOR EACH STATEMENT"
_ADDED = "AFTER INSERT ON {} REFERENCING NEW TABLE AS added FOR EACH STATEMENT"
#: Trigger -> (table, when, routine).
TRIGGERS = {
    "events_never": ("events", _CHANGES, "never"),
    "checkpoints_never": ("checkpoints", _CHANGES, "never"),
    "events_in_order": ("events", _ADDED, "in_order"),
    "checkpoints_of_present": ("checkpoints", _ADDED, "of_present"),
    "inbox_own_name": ("inbox", "BEFORE INSERT ON {} FOR EACH ROW", "own_name"),
}
_SWEPT = "autovacuum_vacuum_scale_factor = 0, autovacuum_vacuum_threshold = 500"
_ROLES = ("reader", "writer", "administrator")


def tables(database: str) -> list[str]:
    """Return the statements that make roles and tables, in their order."""
    reader, writer, administrator = (role(database, name) for name in _ROLES)
    made = [
        f"DO $$ BEGIN CREATE ROLE {name} NOLOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$"
        for name in (reader, writer, administrator)
    ]
    made += [
        f"GRANT {reader} TO {writer}",
        f"GRANT {writer} TO {administrator}",
        f"GRANT {administrator} TO CURRENT_USER",
        f"CREATE SCHEMA {SCHEMA} AUTHORIZATION {administrator}",
        f"SET LOCAL ROLE {administrator}",
    ]
    made += [f"CREATE TABLE {SCHEMA}.{name} ({columns})" for name, columns in _TABLES.items()]
    made += [
        # What waits was acknowledged to nobody.
        f"CREATE UNLOGGED TABLE {SCHEMA}.inbox (LIKE {SCHEMA}.events)",
        f"ALTER TABLE {SCHEMA}.inbox ADD COLUMN number bigint GENERATED ALWAYS AS IDENTITY",
        f"ALTER TABLE {SCHEMA}.inbox DROP COLUMN seq",
        # Whoever writes looks through it.
        f"ALTER TABLE {SCHEMA}.inbox SET ({_SWEPT})",
        *(
            f"CREATE {unique} INDEX {name} ON {SCHEMA}.events ({columns}) {of}"
            for name, (unique, columns, of) in _INDEXES.items()
        ),
        f"INSERT INTO {SCHEMA}.shape VALUES ({SHAPE})",
    ]
    return made


def guards(database: str) -> list[str]:
    """Return the statements that make routines, guards and rights, in their order."""
    reader, writer, _ = (role(database, name) for name in _ROLES)
    made = [f"CREATE FUNCTION {SCHEMA}.{one.head} AS $${one.body}$$" for one in ROUTINES.values()]
    made += [
        f"CREATE TRIGGER {name} {when.format(f'{SCHEMA}.{table}')} "
        f"EXECUTE FUNCTION {SCHEMA}.{routine}()"
        for name, (table, when, routine) in TRIGGERS.items()
    ]
    made += [
        f"REVOKE ALL ON ALL FUNCTIONS IN SCHEMA {SCHEMA} FROM PUBLIC",
        f"GRANT USAGE ON SCHEMA {SCHEMA} TO {reader}",
        f"GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA {SCHEMA} TO {reader}",
        f"REVOKE ALL ON FUNCTION {SCHEMA}.seal FROM {reader}",
        f"GRANT EXECUTE ON FUNCTION {SCHEMA}.seal TO {writer}",
        *_granted("SELECT", "events checkpoints imports import_rows shape", reader),
        *_granted("INSERT", "events checkpoints imports inbox", writer),
        *_granted("SELECT (vehicle_id)", "inbox", writer),
        *_granted("INSERT, UPDATE", "import_rows", writer),
        *_granted("SELECT, INSERT, UPDATE, DELETE", "contacts plates", writer),
    ]
    return made


def _granted(rights: str, names: str, role_: str) -> list[str]:
    return [f"GRANT {rights} ON {SCHEMA}.{name} TO {role_}" for name in names.split()]


def role(database: str, name: str) -> str:
    """Return the quoted name of a role of a database's ledger."""
    return quoted(f"{database}_{name}")


def quoted(name: str) -> str:
    """Return a name as SQL has it."""
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


#: Catalogue -> (kind, name, definition) of what the ledger's schema holds. What a server of another
#: version words otherwise is not asked for.
FOUND = f"""
SELECT 'table', c.relname, string_agg(a.attname || ' ' || format_type(a.atttypid, a.atttypmod)
    || CASE WHEN a.attnotnull THEN '!' ELSE '' END, ', ' ORDER BY a.attname)
FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
WHERE c.relnamespace = '{SCHEMA}'::regnamespace AND c.relkind IN ('r', 'p', 'f', 'm')
GROUP BY c.relname
UNION ALL
SELECT 'index', c.relname,
    i.indrelid::regclass::text || ' ' || i.indisunique::text || ' '
    || i.indkey::text || ' ' || (i.indpred IS NOT NULL)::text || ' ' || i.indisvalid::text
FROM pg_class c JOIN pg_index i ON i.indexrelid = c.oid
WHERE c.relnamespace = '{SCHEMA}'::regnamespace
UNION ALL
SELECT 'view', relname, '' FROM pg_class
WHERE relnamespace = '{SCHEMA}'::regnamespace AND relkind IN ('v')
UNION ALL
SELECT 'routine', proname, md5(prosrc) || ' ' || prosecdef::text || ' '
    || coalesce(array_to_string(proconfig, ' '), '')
FROM pg_proc WHERE pronamespace = '{SCHEMA}'::regnamespace
UNION ALL
SELECT 'trigger', tgname, t.tgrelid::regclass::text || ' ' || tgtype::text || ' '
    || tgenabled::text || ' ' || p.proname
FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
WHERE c.relnamespace = '{SCHEMA}'::regnamespace AND NOT tgisinternal
UNION ALL
SELECT 'rule', rulename, '' FROM pg_rewrite r JOIN pg_class c ON c.oid = r.ev_class
WHERE c.relnamespace = '{SCHEMA}'::regnamespace AND rulename <> '_RETURN'
UNION ALL
SELECT 'right', grantee::regrole::text || ' on ' || relname,
    string_agg(privilege_type, ' ' ORDER BY privilege_type)
FROM pg_class c, aclexplode(c.relacl)
WHERE c.relnamespace = '{SCHEMA}'::regnamespace AND grantee <> c.relowner AND grantee <> 0
GROUP BY grantee, relname
UNION ALL
SELECT 'right', 'PUBLIC on ' || relname, string_agg(privilege_type, ' ' ORDER BY privilege_type)
FROM pg_class c, aclexplode(c.relacl)
WHERE c.relnamespace = '{SCHEMA}'::regnamespace AND grantee = 0 GROUP BY relname
"""


@cache
def wanted() -> dict[tuple[str, str], str]:
    """Return (type, name) -> definition as `FOUND` gives it for a new ledger.

    It was read from one, and a test reads it again.
    """
    told = json.loads(Path(__file__).with_suffix(".json").read_text(encoding="utf-8"))
    return {(kind, name): made for kind, names in told.items() for name, made in names.items()}
