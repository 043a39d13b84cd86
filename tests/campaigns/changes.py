"""Changes behind the ledger's back, over every table, file and cache; run by hand.

    python tests/campaigns/changes.py 10000

A small ledger is copied for each change: a column of a row set to another value, a row taken out,
doubled or exchanged with another (the guards taken off for it and put back word for word), a piece
of the schema, a byte of any file beside it. `roadworn verify --full` must end with 1 or refuse, and
where an event was changed it must name it, or the commit that it was in. What it lets pass counts
as seen only if nothing that the ledger says is other than before.
"""

import contextlib
import io
import json
import os
import random
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path

from kills import prepare, quiet

from roadworn.columns.compare import compare_columns
from roadworn.columns.tables import CORE_TABLES
from roadworn.model.kinds import KindRegistry
from roadworn.store import LedgerFile
from roadworn_cli.main import main

#: Bookkeeping beside the chain that no figure rests on: docs/trust.md says that it is not covered.
BESIDE = {"imports", "import_rows"}
OTHER = {
    "integer": lambda value: (value or 0) + random.choice((-1, 1, 10_000)),
    "real": lambda value: (value or 0.0) + random.choice((-0.5, 1.0, 90_000.0, float("inf"))),
    "text": lambda value: "x" if not value else random.choice((value + " ", value[:-1], "", "é")),
    "blob": lambda value: bytes(32) if value is None else value[:-1] + bytes([value[-1] ^ 1]),
}


def verified() -> tuple[int, list[dict]]:
    """Return the exit code of `verify --full`, and its problems."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        code = main(("verify", "--full", "--format", "json"))
    try:
        return code, json.loads(out.getvalue())["problems"]
    except ValueError:
        return code, []


def content(path: Path) -> set[str]:
    """Return all that the ledger says; guards put back stand in another order.

    Of contacts and plates it says what their keys open: a sealed row without a key is nobody's.
    What docs/trust.md says is not covered is left out, whichever way it was changed.
    """
    with closing(sqlite3.connect(path)) as connection:
        left_out = tuple(f'INSERT INTO "{table}"' for table in ("contacts", "plates", *BESIDE))
        lines = {line for line in connection.iterdump() if not line.startswith(left_out)}
    with LedgerFile.open(path, writable=False) as ledger:
        lines.update(map(str, ledger.contacts.all()))
        lines.update(map(str, ledger.plates.all().items()))
    return lines


def change_table(path: Path) -> tuple[str, int]:
    """Change one table behind the guards; return what was done and the event it was done to."""
    with closing(sqlite3.connect(path)) as connection, connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        guards = guards.fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        table = random.choices(("events", "checkpoints", "contacts", "plates"), (6, 2, 2, 1))[0]
        rows = connection.execute(f"SELECT rowid FROM {table}").fetchall()
        row = random.choice(rows)[0]
        done = random.choices(("set", "take out", "double", "exchange"), (6, 1, 1, 1))[0]
        columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
        with contextlib.suppress(sqlite3.IntegrityError):
            if done == "set":
                _, column, kind, *_ = random.choice(columns)
                query = f"SELECT {column} FROM {table} WHERE rowid = ?"
                value = connection.execute(query, (row,)).fetchone()[0]
                new = OTHER[kind.lower()](value)
                connection.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (new, row))
                done = f"set {column}"
            elif done == "take out":
                connection.execute(f"DELETE FROM {table} WHERE rowid = ?", (row,))
            elif done == "double":
                names = ", ".join(column[1] for column in columns if not column[5])
                key = next(column[1] for column in columns if column[5])
                new = f"'{key}-x'" if table != "events" and table != "checkpoints" else "9999"
                names_ = names.replace("event_id", "event_id || 'x'")
                names_ = names_.replace("intake_key", "NULL")
                connection.execute(f"INSERT INTO {table} ({key}, {names}) SELECT {new}, {names_} "
                                   f"FROM {table} WHERE rowid = ?", (row,))  # fmt: skip
            else:
                other = random.choice(rows)[0]
                column = random.choice([column[1] for column in columns if not column[5]])
                query = f"SELECT {column} FROM {table} WHERE rowid = ?"
                found = (connection.execute(query, (one,)).fetchone() for one in (row, other))
                values = [value for (value,) in found]
                for one, value in ((row, values[1]), (other, values[0])):
                    sql = f"UPDATE {table} SET {column} = ? WHERE rowid = ?"
                    connection.execute(sql, (value, one))
                done, row = f"exchange {column}", 0
        for _, sql in guards:
            connection.execute(sql)
    return f"{table}: {done}", row if table == "events" and done.startswith("set") else 0


def change_schema(path: Path) -> tuple[str, int]:
    with closing(sqlite3.connect(path)) as connection, connection:
        kind, name = random.choice(
            connection.execute("SELECT type, name FROM sqlite_master WHERE sql IS NOT NULL AND "
                               "name NOT LIKE 'sqlite_%'").fetchall())  # fmt: skip
        done = random.choice(("drop", "trigger", "table", "view", "index", "version"))
        if done == "drop":
            connection.execute(f"DROP {kind} {name}")
        elif done == "trigger":
            connection.execute("CREATE TRIGGER extra AFTER INSERT ON events BEGIN SELECT 1; END")
        elif done == "version":
            connection.execute(f"PRAGMA user_version = {random.choice((0, 1, 9))}")
        else:
            sql = {"table": "(x)", "view": "AS SELECT 1", "index": "ON events(kind)"}[done]
            connection.execute(f"CREATE {done} extra {sql}")
    return f"schema: {done} {kind if done == 'drop' else ''}".strip(), 0


def change_file(path: Path) -> tuple[str, int]:
    files = [file for file in path.parent.rglob("*") if file.is_file() and "keys" not in file.parts]
    files = [file for file in files if file.name not in ("monday.db", "rows.ndjson")]
    files = [file for file in files if file.stat().st_size and "monday" not in file.name]
    file = random.choice(files)
    content = bytearray(file.read_bytes())
    at = random.randrange(len(content))
    content[at] ^= 1 << random.randrange(8)
    file.write_bytes(content)
    return f"byte of {'.'.join(file.name.split('.')[1:]) or file.name}", 0


def main_(count: int, seed: int) -> int:
    random.seed(seed)
    print(f"{count} changes, seed {seed}")
    seen, harmless, unseen, misplaced = Counter(), Counter(), Counter(), Counter()
    with tempfile.TemporaryDirectory() as base:
        source = Path(base, "source")
        source.mkdir()
        os.environ["ROADWORN_KEYS"] = str(Path(base, "keys"))
        prepare(source)
        quiet("verify")
        home = Path(base, "source")
        for at in range(count):
            kept = Path(base, "kept")
            if at == 0:
                shutil.copytree(home, kept)
            else:
                shutil.rmtree(home)
                shutil.copytree(kept, home)
            os.chdir(home)
            if at % 500 == 0 and at:
                wrong = sum((unseen + misplaced).values())
                print(f"  {at} done, {wrong} wrong", file=sys.stderr, flush=True)
            path = home / "roadworn.db"
            before = content(path)
            how = random.choices((change_table, change_schema, change_file), (6, 2, 4))[0]
            what, event = how(path)
            code, problems = verified()
            if code != 0:
                seen[what] += 1
                rows = [one for one in problems if one["row"] == event]
                if event and problems and not rows and all(one["row"] for one in problems):
                    misplaced[what] += 1
                continue
            try:
                told = [str(line)[:200] for line in content(path) ^ before]
                told += map(str, compare_columns(path, CORE_TABLES, KindRegistry()))
            except Exception as error:  # noqa: BLE001  # whatever it is, it was not seen
                told = [f"{type(error).__name__}: {error}"]
            (unseen if told else harmless)[what] += 1
            if told:
                print(f"  unseen: {what}: {told[:4]}", flush=True)
    for title, counts in (("seen", seen), ("changed nothing said", harmless), ("unseen", unseen),
                          ("misplaced", misplaced)):  # fmt: skip
        told = ", ".join(f"{what} {n}" for what, n in counts.most_common())
        print(f"{title}: {sum(counts.values())}  ({told})")
    return 1 if unseen or misplaced else 0


if __name__ == "__main__":
    sys.exit(main_(int((sys.argv[1:] or ["10000"])[0]), int((sys.argv[2:] or ["1"])[0])))
