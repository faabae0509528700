#!/usr/bin/env python3
"""The service against pgbench running the service's own SQL, in one run on one PostgreSQL.

Writes the figures into docs/benchmarks.md. Needs wrk; pgbench comes with PostgreSQL."""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import profile_of
import report
from ledger import CASINGS, LONG, Ledger
from measure import Cpu, Sample
from sql import scripts

ROOT = Path(__file__).resolve().parent.parent
KINDS = ["append", "casing", "history"]
CONNECTIONS = [1, 8, 32, 64]


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=int, default=4, help="of one measurement")
    options.add_argument("--rounds", type=int, default=3, help="how often each is measured")
    options.add_argument("--only", choices=KINDS, nargs="*", default=KINDS)
    options.add_argument("--connections", type=int, nargs="*", default=CONNECTIONS)
    options.add_argument("--dry", action="store_true", help="leave docs/benchmarks.md as it is")
    options = options.parse_args()
    if not shutil.which("wrk"):
        sys.exit("wrk is not installed (Debian: apt-get install wrk)")
    subprocess.run(["cargo", "build", "--locked", "--release", "--package", "api"], cwd=ROOT, check=True)
    target = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    ledger = Ledger(target / "release/proofhold")
    try:
        text = measured(ledger, options)
    finally:
        ledger.close()
    print(text)
    if not options.dry:
        report.write(ROOT / "docs/benchmarks.md", text)


def measured(ledger, options):
    ledger.sign_in()
    progress(f"recording {CASINGS} casings in each of {len(ledger.organisations)} organisations")
    ledger.load()
    pgbench = {kind: scripts(ledger, kind) for kind in options.only}
    statements = profile_of.statements(ledger)
    samples = {}
    for turn in range(options.rounds):
        ledger.sign_in()
        for kind in options.only:
            for connections in options.connections:
                for program, run in (("pgbench", run_pgbench), ("service", run_service)):
                    ledger.sql("CHECKPOINT")
                    sample = run(ledger, pgbench[kind], kind, connections, options.seconds)
                    samples.setdefault((kind, connections, program), []).append(sample)
                    progress(f"{turn + 1}/{options.rounds} {kind} {connections} {program}: {sample}")
    ledger.sign_in()
    load = lambda seconds: run_service(ledger, None, "append", 32, seconds)
    functions = profile_of.functions(ledger, load) if "append" in options.only else None
    return report.text(ledger, options, samples, pgbench.get("append"), statements, functions)


def progress(line):
    print(line, file=sys.stderr, flush=True)


def run_pgbench(ledger, made, kind, connections, seconds):
    """pgbench running these scripts, one an organisation, as often as each other."""
    with tempfile.TemporaryDirectory() as folder:
        files = []
        for number, script in enumerate(made):
            Path(folder, f"{number}.sql").write_text(script.text)
            files += ["-f", Path(folder, f"{number}.sql")]
        now = f"{int(time.time() * 1000):012x}"
        command = [ledger.programs / "pgbench", "-n", "-M", "prepared", "-c", str(connections),
                   "-j", str(min(connections, 2)), "-T", str(seconds), "-D", "count=0",
                   "-D", f"series={now[:8]}-{now[8:]}", "-l", "--log-prefix", Path(folder, "log"), *files]
        settings = " ".join(f"-c {name}={value}" for name, value in made[0].settings.items())
        environment = {**ledger.postgres_environment(), "PGOPTIONS": settings}
        cpu = Cpu(ledger)
        run = subprocess.run(command, env=environment, text=True, capture_output=True)
        cpu.stop()
        tps = re.search(r"tps = ([0-9.]+)", run.stdout)
        failed = re.search(r"number of failed transactions: (\d+)", run.stdout)
        if run.returncode or not tps or int(failed[1]):
            sys.exit(f"pgbench failed:\n{run.stdout}\n{run.stderr}")
        micros = sorted(int(line.split()[2]) for log in Path(folder).glob("log.*") for line in log.open())
        at = lambda share: micros[int(len(micros) * share)] / 1000
        return Sample(float(tps[1]), at(0.5), at(0.99), cpu.shares)


def run_service(ledger, _, kind, connections, seconds):
    """wrk sending requests of this kind."""
    arguments = [kind, str(LONG if kind == "history" else CASINGS)]
    for org in ledger.organisations:
        arguments += [org.start, org.token]
    command = ["wrk", "-t", "1", "-c", str(connections), "-d", f"{seconds}s", "--timeout", "10s", "-s",
               Path(__file__).with_name("requests.lua"), f"http://{ledger.address}", "--", *arguments]
    cpu = Cpu(ledger)
    run = subprocess.run(command, text=True, capture_output=True)
    cpu.stop()
    done = re.search(r"^done (\d+) (\d+) (\d+) (\d+) (\d+)$", run.stdout, re.M)
    if not done or int(done[3]):
        sys.exit(f"wrk failed:\n{run.stdout}\n{run.stderr}")
    requests, duration, _, p50, p99 = map(int, done.groups())
    return Sample(requests / duration * 1e6, p50 / 1000, p99 / 1000, cpu.shares)


if __name__ == "__main__":
    main()
