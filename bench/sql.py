"""The service's own statements, taken from PostgreSQL's log, as scripts for pgbench."""

import re

from ledger import CASINGS, LONG, PAGE, TREAD, Client, casing

STATEMENT = re.compile(r"^\S+ \S+ UTC \[\d+\] LOG:  (?:statement|execute [^:]+): (.*)$")
PARAMETERS = re.compile(r"^\S+ \S+ UTC \[\d+\] DETAIL:  parameters: (.*)$")
SETTING = re.compile(r"^SET (?!LOCAL)(\w+) = '?(\w+)'?$")
PARAMETER = re.compile(r"\$(\d+) = (NULL|'(?:[^']|'')*')")

HEX = r"[0-9a-f]"
UUID = rf"{HEX}{{8}}-(?:{HEX}{{4}}-){{3}}{HEX}{{12}}"
# What stands in the log tells the type well enough; a wrong guess is a statement that PostgreSQL
# does not prepare, so it is seen. An array of nothing is one of ids: retries and cause.
TYPES = [
    (rf"{UUID}", "uuid"),
    (rf"\{{(?:{UUID}|NULL)(?:,(?:{UUID}|NULL))*\}}", "uuid[]"),
    (r"\d+", "bigint"),
    (r"\{\d+(?:,\d+)*\}", "bigint[]"),
    (r"\{[tf](?:,[tf])*\}", "boolean[]"),
    (r'\{"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d.*\}', "timestamptz[]"),
    (r'\{"\\\\x.*\}', "bytea[]"),
    (r'\{"\{.*\}', "jsonb[]"),
    (r"\{.*\}", "text[]"),
    (r".*", "text"),
]


class Statement:
    def __init__(self, text):
        self.text = text
        self.parameters = {}


def statements(log):
    """The statements of a log, in their order."""
    found = []
    for line in log.splitlines():
        if match := STATEMENT.match(line):
            found.append(Statement(match[1]))
        elif match := PARAMETERS.match(line):
            for number, text in PARAMETER.findall(match[1]):
                found[-1].parameters[int(number)] = None if text == "NULL" else text[1:-1].replace("''", "'")
    return found


CALL = re.compile(r"SELECT (?:\* FROM )?(\w+)\(\$1(?:, \$\d+)*\)$")
ROLE = "session_role"

# What the function of this name locks before it compares, for pgbench, which compares nothing and
# takes the count and the state from here.
HOLD_STILL = """SELECT n, state FROM subject WHERE org_id = $1
 AND (kind, id) IN (SELECT * FROM unnest($2, $3)) ORDER BY kind, id FOR NO KEY UPDATE"""


def as_transaction(found, ledger):
    """The same work as a transaction in separate statements: what is asked as one call of a function
    becomes the query in it. Left out is what the service asks to know its caller."""
    made = []
    for statement in found:
        call = CALL.match(statement.text)
        if call and call[1] == ROLE:
            continue
        if call and call[1] == "hold_still":
            statement.text = HOLD_STILL
        elif call:
            statement.text = query_in(ledger, call[1])
        made.append(statement)
    if not made[0].text.startswith("BEGIN"):
        org = made[0].parameters[1]
        plain = ["BEGIN", "SET LOCAL ROLE proofhold_service", f"SET LOCAL app.org = '{org}'"]
        made = [Statement(text) for text in plain] + made + [Statement("COMMIT")]
    return made


def query_in(ledger, function):
    """The query that a function returns, its arguments as parameters."""
    of = lambda what: ledger.sql(f"SELECT {what} FROM pg_proc WHERE proname = '{function}'")
    query = re.search(r"RETURN QUERY(.*?);", re.sub(r"--.*", "", of("prosrc")), re.DOTALL)[1]
    names = of("array_to_string(proargnames[1:pronargs], ',')").split(",")
    for number, name in enumerate(names, 1):
        query = re.sub(rf"\b{name}\b", f"${number}", query)
    return " ".join(query.split())


def captured(ledger, work):
    """The statements of a piece of work as one transaction; what the work answers; and the
    settings with which the service opens a connection. The work is done twice: what a connection
    asks only once is not counted."""
    ledger.set(log_statement="all")
    begun = ledger.postgres_log.stat().st_size
    ledger.end_connections()
    work()
    before = ledger.postgres_log.stat().st_size
    answer = work()
    log = ledger.postgres_log.read_bytes()
    ledger.set(log_statement=None)
    opened = [SETTING.match(one.strip()) for statement in statements(log[begun:before].decode())
              for one in statement.text.split(";")]
    settings = {match[1]: match[2] for match in opened if match}
    return as_transaction(statements(log[before:].decode()), ledger), answer, settings


def literal(text):
    """pgbench takes :name for a variable, also inside a text: so no colon may stand there."""
    escaped = text.replace("\\", "\\\\").replace("'", "''").replace(":", "\\x3a")
    return f"E'{escaped}'"


class Script:
    """A script for pgbench, of captured statements, with the settings of its connections. Each run
    of it is about another casing of the organisation and, where it appends, adds an entry with the
    next `n`."""

    def __init__(self, found, settings, casing_id, start, casings, entry=None):
        self.settings = settings
        self.names = {casing_id: f"'{start}-' || lpad(to_hex(:casing::bigint), 12, '0')"}
        if entry:
            # RFC 9562 section 5.7: the time when pgbench began, then what makes it unique.
            self.names[entry] = (":series::text || '-7000-8' || lpad(to_hex(:client_id::bigint), 3, '0')"
                                 " || '-' || lpad(to_hex(:count::bigint), 12, '0')")
        lines = ["\\set count :count + 1", f"\\set casing random(1, {casings})"]
        for statement in found:
            lines.extend(self._lines(statement))
        self.text = "\n".join(lines) + "\n"

    def _lines(self, statement):
        if not statement.parameters:
            # pgbench prepares each alone.
            return [f"{one.strip()};" for one in statement.text.split(";")]
        writes = statement.text.startswith(("UPDATE", "INSERT"))
        value = lambda match: self._value(statement.parameters[int(match[1])], writes)
        text = re.sub(r"\$(\d+)", value, statement.text)
        locks = re.search(r"FOR (NO KEY )?UPDATE$", text)
        return [f"{text} \\gset head_" if locks else f"{text};"]

    def _value(self, text, writes):
        if text is None:
            return "NULL"
        kind = next(kind for pattern, kind in TYPES if re.fullmatch(pattern, text))
        if kind == "timestamptz[]":
            return "ARRAY[now()]"
        if writes and kind == "bigint[]":
            return "ARRAY[:head_n::bigint + 1]"
        if writes and kind == "jsonb[]":
            return "ARRAY[:head_state::jsonb]"
        parts = re.split("(" + "|".join(self.names) + ")", text)
        joined = " || ".join(self.names.get(part) or literal(part) for part in parts if part)
        return f"({joined or literal('')})::{kind}"


def scripts(ledger, what):
    """For each organisation a script of what the service asks for an append, a casing or a page
    of a history."""
    made = []
    for org in ledger.organisations:
        client, own = Client(ledger.address, org.token), casing(org.start, 1)
        path = f"/v1/casings/{own}"
        work = {
            "append": lambda: client.append(org, 1, "tread_read", TREAD),
            "casing": lambda: client.send("GET", path),
            "history": lambda: client.send("GET", f"{path}/history?limit={PAGE}"),
        }[what]
        found, answer, settings = captured(ledger, work)
        entry = answer if what == "append" else None
        casings = LONG if what == "history" else CASINGS
        made.append(Script(found, settings, own, org.start, casings, entry))
    return made
