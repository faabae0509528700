"""What .ci/schemathesis adds to the requests that are made from the document.

A document cannot say who is signed in, what is on record, or that an id is new. So each request is sent by
somebody of the demo (every fifth by somebody who may not send it), and requests that fit the document get ids
that are on record and keys that were not used before; requests that break it are sent as they are.

Run as a program, it prints what was answered and fails where an operation never succeeded.
"""

import atexit
import datetime
import itertools
import json
import os
import sys
import time
import unicodedata
import uuid
import zoneinfo
from collections import Counter, defaultdict

import requests
import schemathesis
from hypothesis import strategies as st

PEOPLE = {"crew": "ada", "office": "cora", "manager": "dora", "auditor": "vera", "admin": "gus"}
# Whose account and sign-ins are tried out; nobody else's, who would be locked out.
TRIED = "nell"
KINDS = ["depots", "people", "vehicles", "wheels", "cages", "gauges", "models", "recommendations", "charts", "casings"]
# Fields of facts and parameters that name a thing, and where such things are listed.
NAMED = {"depot": "depots", "vehicle": "vehicles", "wheel": "wheels", "cage": "cages", "gauge": "gauges",
         "model": "models", "models": "models", "by": "people", "from_depot": "depots", "to_depot": "depots",
         "witness": "people", "right_casing": "casings", "entry": "entries"}
ASKED = {"release": ["operating_psi"], "mount": ["wheel", "cage"], "hold": ["cage", "gauge", "for_set_psi"],
         "install": ["vehicle", "position"], "inflate": []}
# A file for each kind of chart.
FILES = {"rim_parts": "base,side_ring,lock_ring\nLB-20-75,LS-20,LK-20\n",
         "load_inflation": "size,fitment,psi,load_lb,evidence\n295/75R22.5,dual,100,5520,memory\n",
         "repair_limits": "repair,place,size_32nds\nply,crown,40\n"}
# Sentences about fields that depend on each other or on the clock, which the document's schemas do not say.
DEPEND = (
    "Unit ",
    "A set pressure may not be below the placard's",
    "Each reading must be later than the one before it.",
    "Which cage or barrier?",
    "There is no cage at this place.",
    "Bolted on where?",
    "Bolted on an axle: name its position.",
    "An axle that stays on the road is expected.",
    "Only a release bolted on names it.",
    "At least one mark is expected.",
    "Off the wheel it passes only if",
    "Only a retread has it.",
    "It was not rejected",
    "That is where it came from.",
    "Give the right facts or the right casing.",
    "Scrap is void only where",
    "There is no such recorded entry of this casing.",
    "There is no such refused entry of this subject.",
    "There is no such entry of this subject.",
    "An entry of this kind is not corrected.",
    "Only what made a casing scrap is void.",
    "It is on this casing already.",
    "It made this casing scrap.",
    "This lies in the future.",
    "Opening stock needs it.",
    "Only opening stock has it.",
    "Where was it put?",
    "Walk round it before it is taken over.",
    "It is not clear: there is damage.",
    "That is less than was found: send `deflated`.",
    "Only what is inflated bolted on names it.",
    "An axle from 1 to 12 is expected, each once.",
    "That is in row ",
    "It contradicts row ",
    "It is a chart of ",
)

address = os.environ["DEMO_ADDRESS"]
count = itertools.count()
answered = defaultdict(Counter)


def sign_in(login):
    password = open(os.environ["DEMO_PASSWORD_FILE"]).read().strip()
    device = {"id": str(uuid.uuid4()), "kind": "other"}
    body = {"organisation": "larkspur", "login": login, "password": password, "device": device}
    answer = requests.post(f"{address}/v1/sessions", json=body, timeout=30)
    while answer.status_code == 429:
        # After the wrong passwords that were tried.
        time.sleep(int(answer.headers["Retry-After"]))
        answer = requests.post(f"{address}/v1/sessions", json=body, timeout=30)
    answer.raise_for_status()
    return body, answer.json()


def instants():
    """Times to the microsecond, as the ledger keeps them."""
    zones = st.integers(-12 * 60, 14 * 60).map(lambda m: datetime.timezone(datetime.timedelta(minutes=m)))
    first, last = datetime.datetime(1990, 1, 2), datetime.datetime(2199, 12, 30)
    return st.datetimes(first, last, timezones=zones).map(lambda at: at.isoformat())


def now():
    return datetime.datetime.now(datetime.timezone.utc).isoformat()


schemathesis.openapi.format("date-time", instants())
schemathesis.openapi.format("iana-time-zone", st.sampled_from(sorted(zoneinfo.available_timezones() - {"localtime"})))


class Demo:
    """Who is signed in, and what is on record."""

    def __init__(self):
        sessions = {role: sign_in(login)[1] for role, login in PEOPLE.items()}
        self.tokens = {role: session["access_token"] for role, session in sessions.items()}
        self.organisation = sessions["admin"]["organisation"]
        self.ids = {kind: [item["id"] for item in self.get(kind)] for kind in KINDS}
        self.tried = next(p["id"] for p in self.get("people") if p["personal"]["name"].startswith("Nell"))
        self.units = [item["body"]["unit"] for item in self.get("vehicles")]
        history = self.get(f"casings/{self.ids['casings'][0]}/history")
        self.ids["entries"] = [entry["id"] for entry in history]
        self.session = None

    def get(self, path):
        headers = {"Authorization": f"Bearer {self.tokens['admin']}"}
        answer = requests.get(f"{address}/v1/{path}", headers=headers, timeout=30)
        answer.raise_for_status()
        return answer.json()["items"]

    def one(self, kind):
        return self.ids[kind][next(count) % len(self.ids[kind])]


demo = Demo() if "COVERED" in os.environ and __name__ != "__main__" else None


def roles_of(operation):
    """The roles that the operation's description names."""
    said = (operation.definition.raw.get("description") or "").rpartition("For the roles ")[2]
    return [role for role in PEOPLE if role in said.rstrip(".").split(", ")] or list(PEOPLE)


@schemathesis.serializer("text/csv")
def as_it_is(context, value):
    """A file is sent as its text."""
    return value if isinstance(value, bytes) else str(value).encode(errors="replace")


@schemathesis.auth(refresh_interval=None)
class SomebodyOfTheDemo:
    def get(self, case, context):
        if case.operation.definition.raw["operationId"] == "delete_session" and case.method.upper() == "DELETE":
            return sign_in(PEOPLE["admin"])[1]["access_token"]
        turn = next(count)
        roles = list(PEOPLE) if turn % 5 == 0 else roles_of(case.operation)
        return demo.tokens[roles[turn // 5 % len(roles)]]

    def set(self, case, token, context):
        case.headers["Authorization"] = f"Bearer {token}"


def tidy(value, name=None):
    """Two decimals, composed text, and things that are on record."""
    if isinstance(value, dict):
        return {unicodedata.normalize("NFC", key): tidy(part, key) for key, part in value.items()}
    if isinstance(value, list):
        return [tidy(part, name) for part in value]
    if isinstance(value, float):
        return round(value, 2)
    if isinstance(value, str):
        return demo.one(NAMED[name]) if name in NAMED else unicodedata.normalize("NFC", value)
    return value


def on_record(case, operation):
    """A request that fits the document, about what is on record."""
    parts = case.path.split("/")
    if "id" in case.path_parameters:
        case.path_parameters["id"] = demo.tried if parts[-1] == "account" else demo.one(parts[2])
    if "unit" in case.path_parameters:
        case.path_parameters["unit"] = demo.units[next(count) % len(demo.units)]
    # A cursor is only what the service gave.
    query = {name: value for name, value in case.query.items() if name != "after"}
    if operation in ("check_casing", "list_casings"):
        query = {name: tidy(value, name) for name, value in query.items()}
    if operation == "check_casing":
        query = asked(query)
    if operation == "create_entry" and next(count) % 2:
        query.pop("dry_run", None)
    if operation == "put_chart":
        query = {name: tidy(value) for name, value in query.items()}
        case.body = FILES[query["kind"]]
        if "If-Match" not in case.headers:
            case.path_parameters["id"] = str(uuid.uuid4())
    for moment in sorted({"as_of", "known_at"} & query.keys()):
        if next(count) % 2:
            query[moment] = now()
    case.query = query
    if "If-Match" in case.headers:
        case.headers["If-Match"] = "*"
    if "Idempotency-Key" in case.headers:
        case.headers["Idempotency-Key"] = f'"{uuid.uuid4()}"'
    if not isinstance(case.body, dict):
        return
    body = tidy(case.body)
    if "id" in body:
        body["id"] = str(uuid.uuid4())
    if operation == "create_entry":
        entry(body)
    elif operation == "create_session":
        # The other half is of people whom nobody knows: wrong passwords would lock out the one who is tried.
        body = sign_in(TRIED)[0] if next(count) % 2 else body
    elif operation == "refresh_session":
        demo.session = demo.session or sign_in(TRIED)
        sent, tokens = demo.session
        body = {"refresh_token": tokens["refresh_token"], "device_id": sent["device"]["id"]}
    elif operation == "put_account":
        body["login"] = TRIED
        body.pop("password", None)
        body["disabled"] = False
    case.body = body


def asked(query):
    """What is asked for this purpose, and nothing else."""
    wanted = ASKED[query["for"]]
    query = {name: value for name, value in query.items() if name == "for" or name in wanted}
    for name in wanted:
        if name in ("wheel", "vehicle"):
            query[name] = demo.one(NAMED[name])
    if "position" in wanted:
        query["position"] = "1L"
    return query


def entry(body):
    kind = body["subject"]["kind"]
    body.pop("retries", None)
    if body["kind"] == "flagged":
        body["facts"].pop("evidence", None)
    if body["kind"] in ("registered", "acquired") and kind != "policy":
        body["subject"]["id"] = str(uuid.uuid4())
    elif kind == "policy":
        body["subject"]["id"] = demo.organisation
    else:
        body["subject"]["id"] = demo.one("people" if kind == "person" else f"{kind}s")
    if next(count) % 2:
        body["occurred_at"] = now()


@schemathesis.hook
def before_call(context, case, kwargs):
    operation = case.operation.definition.raw["operationId"]
    if case.meta is None or case.meta.generation.mode.is_positive:
        on_record(case, operation)
    elif operation == "put_account" and case.path_parameters.get("id") in demo.ids["people"]:
        case.path_parameters["id"] = demo.tried
    elif operation == "create_session" and isinstance(case.body, dict) and case.body.get("login") in PEOPLE.values():
        case.body["login"] = TRIED


@schemathesis.hook
def after_call(context, case, response):
    operation = case.operation.definition.raw["operationId"]
    answered[operation][response.status_code] += 1
    if operation == "refresh_session" and demo.session and case.body != schemathesis.core.NOT_SET:
        demo.session = (demo.session[0], response.json()) if response.status_code == 200 else None


@schemathesis.check
def only_what_no_schema_says(context, response, case):
    """Where data that fits the document can never be, fields that depend on each other or on the clock are named."""
    if response.status_code == 422 and case.meta and case.meta.generation.mode.is_positive:
        for field in response.json().get("fields", []):
            assert field["say"].startswith(DEPEND), f"the document does not say this: {field}"


@schemathesis.check
def errors_are_problems(context, response, case):
    """RFC 9457: every error is problem+json and names its own status."""
    if response.status_code >= 400 and response.content:
        assert response.headers["content-type"] == ["application/problem+json"], response.headers["content-type"]
        assert response.json()["status"] == response.status_code


def keep():
    with open(os.environ["COVERED"], "w") as file:
        json.dump({operation: dict(statuses) for operation, statuses in answered.items()}, file)


def covered():
    with open(os.environ["COVERED"]) as file:
        seen = json.load(file)
    never = []
    for operation, statuses in sorted(seen.items()):
        print(f"{operation:24}", "  ".join(f"{status}: {n}" for status, n in sorted(statuses.items())))
        if not any(status < "400" for status in statuses):
            never.append(operation)
    document = requests.get(f"{address}/openapi.json", timeout=30).json()
    operations = {op["operationId"] for item in document["paths"].values() for op in item.values()}
    # The document itself is read by the tool before it begins.
    never += sorted(operations - seen.keys() - {"get_document"})
    if never:
        sys.exit(f"never succeeded: {', '.join(never)}")


if __name__ == "__main__":
    covered()
else:
    atexit.register(keep)
