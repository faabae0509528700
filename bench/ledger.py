"""A service of its own on a private, durable PostgreSQL, with casings in it."""

import http.client
import json
import os
import re
import subprocess
import tempfile
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ORGANISATIONS = ["larkspur", "quillfeather"]
CASINGS = 2000
"""Casings of an organisation."""
LONG = 40
"""How many of them, the first, have a history of more than a page."""
PAGE = 50
PASSWORD = "an invented long password"

TREAD = {"grooves_32nds": [[15, 15.5, 15], [14.5, 15, 15], [15, 15, 14.5]]}


def casing(start, number):
    """The id of an organisation's casing: its first digits, then its number."""
    return f"{start}-{number:012x}"


class Organisation:
    def __init__(self, slug, org):
        self.slug = slug
        self.id = org
        self.start = str(uuid.uuid4())[:8] + "-5c00-7000-8000"
        self.token = None


class Ledger:
    """The running release build. Its data go when it is closed."""

    def __init__(self, program):
        self.program = program
        self.folder = tempfile.TemporaryDirectory(prefix="bench.", dir="/var/tmp")
        # As root the server runs as another user, who must reach it.
        os.chmod(self.folder.name, 0o755)
        self.environment = {**os.environ, "PROOFHOLD_DATA": self.folder.name, "RUST_LOG": "info"}
        for name in ("DATABASE_URL", "PROOFHOLD_KEYS"):
            self.environment.pop(name, None)
        self.organisations = [self._organisation(slug) for slug in ORGANISATIONS]
        self.log = Path(self.folder.name, "service.log")
        self.process = subprocess.Popen(
            [program, "serve", "--listen", "127.0.0.1:0"], env=self.environment, stderr=self.log.open("w"))
        self.address = self._address()

    def close(self):
        self.process.terminate()
        self.process.wait()
        self.folder.cleanup()

    def _organisation(self, slug):
        create = [self.program, "organisation", "create", "--slug", slug, "--name", slug.title(),
                  "--admin-login", "gus", "--admin-name", "Gus Arden"]
        said = subprocess.run(create, input=PASSWORD, env=self.environment, text=True, check=True,
                              capture_output=True).stdout
        return Organisation(slug, re.search(r"^organisation \S+ (\S+)", said)[1])

    def _address(self):
        for _ in range(600):
            time.sleep(0.1)
            found = re.search(r'"listen":"([0-9.:]+)"', self.log.read_text())
            if found:
                return found[1]
            if self.process.poll() is not None:
                break
        raise SystemExit(f"the service did not start:\n{self.log.read_text()}")

    # PostgreSQL

    @property
    def postgres_folder(self):
        return Path(self.folder.name, "postgres")

    @property
    def postmaster(self):
        """Number of PostgreSQL's first process, and its port."""
        lines = (self.postgres_folder / "cluster/postmaster.pid").read_text().split("\n")
        return int(lines[0]), lines[3].strip()

    @property
    def programs(self):
        """The folder of PostgreSQL's programs."""
        return Path(os.readlink(f"/proc/{self.postmaster[0]}/exe")).parent

    def postgres_environment(self):
        password = (self.postgres_folder / "password").read_text().strip()
        return {**os.environ, "PGHOST": "127.0.0.1", "PGPORT": self.postmaster[1], "PGUSER": "postgres",
                "PGDATABASE": "postgres", "PGPASSWORD": password}

    def sql(self, *statements):
        """Runs statements as the superuser; the last one's answer."""
        commands = [part for statement in statements for part in ("-c", statement)]
        run = [self.programs / "psql", "-XqAt", "-v", "ON_ERROR_STOP=1", *commands]
        return subprocess.run(run, env=self.postgres_environment(), check=True, text=True,
                              capture_output=True).stdout.strip()

    def set(self, **settings):
        """Sets or, with None, takes back settings of the server."""
        for name, value in settings.items():
            self.sql(f"ALTER SYSTEM SET {name} = '{value}'" if value else f"ALTER SYSTEM RESET {name}")
        self.sql("SELECT pg_reload_conf()")
        time.sleep(0.5)

    def end_connections(self):
        """Ends the service's connections; it opens others."""
        self.sql("SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity "
                 "WHERE backend_type = 'client backend' AND pid <> pg_backend_pid()")
        time.sleep(0.5)

    @property
    def postgres_log(self):
        return self.postgres_folder / "server.log"

    # HTTP

    def sign_in(self):
        """Fresh tokens: they live for 15 minutes."""
        for org in self.organisations:
            device = {"id": str(uuid.uuid4()), "kind": "crew_device"}
            body = {"organisation": org.slug, "login": "gus", "password": PASSWORD, "device": device}
            org.token = Client(self.address).send("POST", "/v1/sessions", body)["access_token"]

    def load(self):
        """Records casings that lie in a depot, with a reading each; some have many."""
        for org in self.organisations:
            client = Client(self.address, org.token)
            depot, model = str(uuid.uuid4()), str(uuid.uuid4())
            for kind, thing, body in (("depots", depot, DEPOT), ("models", model, MODEL)):
                client.send("POST", f"/v1/{kind}", {"id": thing, "body": body})
            client.send("POST", "/v1/recommendations",
                        {"id": str(uuid.uuid4()), "body": {**LETTER, "models": [model]}})
            with ThreadPoolExecutor(16) as threads:
                def work(numbers):
                    own = Client(self.address, org.token)
                    for number in numbers:
                        facts = {"origin": "new", "model": model, "depot": depot,
                                 "marks": {"brand": f"B-{number}", "tins": ["1Z7KMRL4525"]}}
                        own.append(org, number, "acquired", facts)
                        for _ in range(PAGE + 10 if number <= LONG else 1):
                            own.append(org, number, "tread_read", TREAD)
                list(threads.map(work, (range(first, CASINGS + 1, 16) for first in range(1, 17))))
        self.sql("VACUUM ANALYZE")


DEPOT = {"name": "Elmford", "zone": "America/Chicago", "altitude_ft": 740}
MODEL = {"maker": "Merrow", "name": "Longhaul G", "size": "295/75R22.5", "load_range": "G",
         "construction": "steel_radial", "tube_type": False, "sidewall_psi": 110, "single_lb": 6175,
         "dual_lb": 5675, "rim_in": 22.5, "rim_widths_in": [8.25, 9], "new_tread_32nds": 22}
LETTER = {"maker": "Merrow", "document": "service letter 12", "highest_psi": 135}


class Client:
    """One connection to the service."""

    def __init__(self, address, token=None):
        self.connection = http.client.HTTPConnection(address)
        self.token = token

    def send(self, method, path, body=None):
        headers = {"Content-Type": "application/json", "Idempotency-Key": str(uuid.uuid4())}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        self.connection.request(method, path, json.dumps(body) if body else None, headers)
        answer = self.connection.getresponse()
        text = answer.read()
        if answer.status not in (200, 201):
            raise SystemExit(f"{method} {path} {json.dumps(body)}: {answer.status} {text.decode()}")
        return json.loads(text)

    def append(self, org, number, kind, facts):
        """Records that something happened to a casing now."""
        entry = str(uuid7())
        self.send("POST", "/v1/entries", {
            "id": entry, "kind": kind, "subject": {"kind": "casing", "id": casing(org.start, number)},
            "occurred_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), "facts": facts})
        return entry


def uuid7():
    """RFC 9562 section 5.7."""
    random = int.from_bytes(os.urandom(10), "big")
    value = int(time.time() * 1000) << 80 | random
    value = value & ~(0xF << 76) | 0x7 << 76
    return uuid.UUID(int=value & ~(0x3 << 62) | 0x2 << 62)
