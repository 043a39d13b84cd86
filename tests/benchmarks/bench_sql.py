"""`roadworn sql -o FILE` of about a million rows beside DuckDB's own COPY of the same rows.

    python tests/benchmarks/bench_sql.py LEDGER

Prints processor time of either, and the most memory that the command took; Linux only.
"""

import resource
import subprocess
import sys
import tempfile
import time

import duckdb

QUERY = "SELECT p.*, r.i FROM part_lives AS p, range(182) AS r(i)"
HOW = {"parquet": "FORMAT parquet", "csv": "FORMAT csv, HEADER", "ndjson": "FORMAT json"}


def main(ledger: str) -> None:
    """Write each form by the command and by DuckDB."""
    with tempfile.TemporaryDirectory() as folder:
        ours, memory = {}, 0
        # All of ours first: a child begins with the memory of whoever starts it.
        for form in HOW:
            words = ["roadworn", "--ledger", ledger, "sql", QUERY, "-o", f"{folder}/a.{form}"]
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([*words, "--memory", "0"], check=True, capture_output=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            ours[form] = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            memory = after.ru_maxrss // 1024
        con = duckdb.connect(config={"threads": 1})
        con.execute(f"CREATE TABLE t AS SELECT * FROM '{folder}/a.parquet'")
        for form, how in HOW.items():
            began = time.process_time()
            con.execute(f"COPY t TO '{folder}/peer.{form}' ({how})")
            peer = time.process_time() - began
            print(f"{form}: {ours[form]:.1f} s, DuckDB {peer:.1f} s, {ours[form] / peer:.1f} times")
        print(f"at most {memory} MB")


if __name__ == "__main__":
    main(sys.argv[1])
