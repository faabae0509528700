"""Where the time of one append goes: statement by statement, and function by function."""

import re
import shutil
import signal
import statistics
import subprocess
import tempfile
import time
from collections import Counter
from pathlib import Path

from ledger import TREAD, Client

TIMED = re.compile(r"LOG:  duration: ([0-9.]+) ms  (statement|parse|bind|execute)(?: [^:]+)?: (.*)$")
APPENDS = 300


def statements(ledger):
    """How long an append takes alone, and each of its statements in PostgreSQL: a list of
    (statement, milliseconds), medians; first the whole as its sender saw it."""
    client = Client(ledger.address, ledger.organisations[0].token)
    append = lambda number: client.append(ledger.organisations[0], number, "tread_read", TREAD)
    wall = []
    for number in range(1, APPENDS + 1):
        begun = time.monotonic()
        append(number)
        wall.append((time.monotonic() - begun) * 1000)
    ledger.set(log_min_duration_statement="0")
    append(1)
    before = ledger.postgres_log.stat().st_size
    for number in range(1, APPENDS + 1):
        append(number)
    log = ledger.postgres_log.read_bytes()[before:].decode()
    ledger.set(log_min_duration_statement=None)
    return statistics.median(wall), medians(log)


def medians(log):
    """Of each statement of an append, in its order: what it took, all its steps together."""
    appends, steps = [[]], []
    for line in log.splitlines():
        match = TIMED.search(line)
        if not match:
            continue
        took, step, text = float(match[1]), match[2], match[3]
        steps.append(took)
        if step in ("statement", "execute"):
            appends[-1].append((text, sum(steps), len(steps)))
            steps = []
        if text.startswith("COMMIT") and any("INSERT INTO entry" in one for one, *_ in appends[-1]):
            appends.append([])
    whole = [append for append in appends if append]
    usual = Counter(len(append) for append in whole).most_common(1)[0][0]
    whole = [append for append in whole if len(append) == usual]
    return [(whole[0][place][0], statistics.median(append[place][1] for append in whole))
            for place in range(usual)]


# What a function of the service belongs to: the first that fits.
PARTS = [
    ("the operating system (network, waking threads)", r"^\[k\]"),
    ("signature of the token", r"ed25519|25519|sha512|EVP_|jsonwebtoken"),
    ("SHA-256 and HMAC", r"sha256|sha2::|hmac"),
    ("memory", r"malloc|free|realloc|calloc|memmove|memcpy|memset|memcmp|alloc::|_int_"),
    ("the store and its driver", r"store::|diesel|postgres|deadpool"),
    ("the rules", r"rules::"),
    ("JSON", r"serde|json|ryu|itoa"),
    ("logging", r"tracing|sharded_slab|matchers"),
    ("HTTP", r"api::|actix|httparse|http::|h2::|regex|percent_encoding|mime"),
    ("tasks and channels", r"tokio|futures|mio::|local_channel|crossbeam|parking_lot|std::sys::sync"),
    ("anything else", r""),
]


def functions(ledger, load):
    """Shares of the service's processor time while it serves a load, a list of (part, per cent);
    none where perf is not there or not allowed."""
    if not shutil.which("perf"):
        return None
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder, "perf.data")
        record = ["perf", "record", "-q", "-F", "997", "-p", str(ledger.process.pid), "-o", data]
        recording = subprocess.Popen(record, stderr=subprocess.DEVNULL)
        load(5)
        recording.send_signal(signal.SIGINT)
        recording.wait()
        read = ["perf", "report", "-i", data, "--stdio", "-q", "-F", "overhead,sym", "-t", "|"]
        said = subprocess.run(read, text=True, capture_output=True).stdout
    parts = Counter()
    for share, function in re.findall(r"^ *([0-9.]+)% *\|(.*)$", said, re.M):
        name = function.strip().removeprefix("[.] ")
        parts[next(part for part, pattern in PARTS if re.search(pattern, name))] += float(share)
    return parts.most_common()
