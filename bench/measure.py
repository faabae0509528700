"""One measurement, and the processor's time that each program took for it."""

import os
import resource
import time
from dataclasses import dataclass
from pathlib import Path

TICKS = os.sysconf("SC_CLK_TCK")


@dataclass
class Sample:
    per_second: float
    p50_ms: float
    p99_ms: float
    cpu: dict
    """Cores that were busy, by program."""

    def __str__(self):
        cpu = " ".join(f"{name} {cores:.2f}" for name, cores in self.cpu.items())
        return f"{self.per_second:.0f}/s p50 {self.p50_ms:.2f} p99 {self.p99_ms:.2f} ms, cores: {cpu}"


class Cpu:
    """Processor time of the service, of PostgreSQL and of the load generator, which has to end
    between start and stop."""

    def __init__(self, ledger):
        self.ledger = ledger
        self.before = self._seconds()

    def stop(self):
        took = time.monotonic() - self.before["clock"]
        # The time of a connection's process counts when it has ended.
        time.sleep(0.3)
        after = self._seconds()
        self.shares = {name: (after[name] - self.before[name]) / took for name in after if name != "clock"}

    def _seconds(self):
        load = resource.getrusage(resource.RUSAGE_CHILDREN)
        return {"clock": time.monotonic(), "service": process(self.ledger.process.pid)[0],
                "PostgreSQL": tree(self.ledger.postmaster[0]), "load": load.ru_utime + load.ru_stime}


def process(pid):
    """Seconds that a process used, that its ended children used, and its parent."""
    # The name stands in brackets and may have blanks.
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    own, ended = int(fields[11]) + int(fields[12]), int(fields[13]) + int(fields[14])
    return own / TICKS, ended / TICKS, int(fields[1])


def tree(postmaster):
    """Seconds of PostgreSQL's first process and all its children, ended ones too."""
    total = sum(process(postmaster)[:2])
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            own, _, parent = process(folder.name)
        except (FileNotFoundError, ProcessLookupError):
            continue
        total += own if parent == postmaster else 0
    return total
