"""The figures as text, and their place in docs/benchmarks.md."""

import os
import platform
import re
import statistics
import subprocess
from pathlib import Path

NAMES = {"append": "One entry appended", "casing": "One casing read", "history": "A page of 50 entries read"}
# What is to be reached: requests a second as a multiple of pgbench's transactions a second.
GOALS = {"append": {8: 1.1, 32: 2.5, 64: 4.0}, "casing": 1.2, "history": 0.9}
BEGIN, END = "<!-- figures: written by make bench -->", "<!-- end of the figures -->"


def write(path, text):
    """Puts the figures between their marks."""
    before, _, rest = path.read_text().partition(BEGIN)
    path.write_text(f"{before}{BEGIN}\n\n{text}\n{END}{rest.partition(END)[2]}")


def text(ledger, options, samples, script, statements, functions):
    parts = [machine(ledger, options), f"fdatasync of the disk: {fdatasync(ledger)}.\n"]
    for kind in options.only:
        parts.append(f"### {NAMES[kind]}\n\n{table(kind, options.connections, samples)}")
    if script:
        count = len(re.findall(r"(?:;| \\gset head_)$", script[0].text, re.M))
        settings = "".join(f", `{name} = {value}`" for name, value in script[0].settings.items())
        parts.append(f"pgbench's transaction of an append: {count} statements, BEGIN and COMMIT included{settings}.\n")
    parts.append(f"### One append alone, statement by statement\n\n{steps(*statements)}")
    if functions:
        parts.append(f"### The service's processor time in appends at 32 connections\n\n{shares(functions)}")
    return "\n".join(parts)


def machine(ledger, options):
    info = Path("/proc/cpuinfo").read_text()
    model = re.search(r"model name\s*: (.*)", info)
    memory = int(re.search(r"MemTotal:\s*(\d+)", Path("/proc/meminfo").read_text())[1]) / 2**20
    wrk = subprocess.run(["wrk", "-v"], text=True, capture_output=True)
    wrk = re.search(r"wrk \S*?([0-9]+\.[0-9.]+)", wrk.stdout + wrk.stderr)
    version = ledger.sql("SHOW server_version").split()[0]
    durable = ledger.sql("SELECT 'fsync ' || current_setting('fsync') || ', synchronous_commit ' || "
                         "current_setting('synchronous_commit') || ', full_page_writes ' || "
                         "current_setting('full_page_writes')")
    return (f"{os.cpu_count()} cores ({model[1].strip() if model else platform.machine()}) shared by service, "
            f"database and load generator; {memory:.0f} GiB of memory; Linux {platform.release().split('-')[0]}; "
            f"PostgreSQL {version} ({durable}); wrk {wrk[1] if wrk else ''}. "
            f"Each figure is the median of {options.rounds} runs of {options.seconds} s, "
            "with the lowest and the highest.\n")


def fdatasync(ledger):
    run = [ledger.programs / "pg_test_fsync", "-s", "1", "-f", ledger.postgres_folder / "fsync.test"]
    said = subprocess.run(run, text=True, capture_output=True).stdout
    took = re.search(r"fdatasync\s+([0-9.]+) ops/sec\s+([0-9]+) usecs/op", said)
    return f"{took[2]} µs ({float(took[1]):.0f} a second)"


def table(kind, connections, samples):
    lines = ["| connections | pgbench /s | service /s | ratio | to reach | pgbench p50, p99 ms | service p50, p99 ms "
             "| cores busy: service, PostgreSQL, load |", "|---|---|---|---|---|---|---|---|"]
    for count in connections:
        ours, theirs = samples[kind, count, "service"], samples[kind, count, "pgbench"]
        ratio = spread([our.per_second / their.per_second for our, their in zip(ours, theirs)], 2)
        goal = GOALS[kind].get(count) if kind == "append" else GOALS[kind]
        lines.append("| " + " | ".join([
            str(count), spread([one.per_second for one in theirs]), spread([one.per_second for one in ours]),
            ratio, str(goal or ""), times(theirs), times(ours), cores(ours)]) + " |")
    return "\n".join(lines) + "\n"


def spread(values, digits=0):
    middle, low, high = statistics.median(values), min(values), max(values)
    return f"{middle:,.{digits}f} ({low:,.{digits}f}–{high:,.{digits}f})"


def times(samples):
    return ", ".join(f"{statistics.median(values):.2f}" for values in (
        [one.p50_ms for one in samples], [one.p99_ms for one in samples]))


def cores(samples):
    names = samples[0].cpu
    return ", ".join(f"{statistics.median([one.cpu[name] for one in samples]):.2f}" for name in names)


def steps(whole, statements):
    lines = ["| statement | ms in PostgreSQL |", "|---|---|"]
    for statement, took in statements:
        lines.append(f"| `{short(statement)}` | {took:.3f} |")
    inside = sum(took for _, took in statements)
    lines += [f"| all {len(statements)} | {inside:.2f} |",
              f"| the append as its sender sees it | {whole:.2f} |",
              f"| so the service, the sender and the way between them all | {whole - inside:.2f} |"]
    return "\n".join(lines) + "\n"


def short(statement):
    """Enough of a statement to know it by."""
    text = statement.replace("|", "\\|").replace('"', "")
    if match := re.match(r"SELECT .*? FROM \(?(\w+)(.*)", text):
        about = "recommendations" if "'recommendation'" in text else match[1]
        locked = " FOR NO KEY UPDATE" if text.endswith("UPDATE") else ""
        return f"SELECT … FROM {about}{locked}"
    return " ".join(text.split()[:3])


def shares(parts):
    lines = ["| part | share |", "|---|---|"]
    lines += [f"| {part} | {share:.1f} % |" for part, share in parts]
    return "\n".join(lines) + "\n"
