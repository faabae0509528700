-- The ledger: its entries, what hangs on them, and the columns by which heads are looked up.

ALTER TABLE organisation ADD COLUMN name text NOT NULL DEFAULT '';
ALTER TABLE organisation ALTER COLUMN name DROP DEFAULT;

-- Looked up without reading the state; generated, so they cannot differ from it.
ALTER TABLE subject
    ADD COLUMN standing text GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN state ->> 'standing' END) STORED,
    ADD COLUMN whereabouts text GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN state ->> 'whereabouts' END) STORED,
    ADD COLUMN model uuid GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN (state ->> 'model')::uuid END) STORED,
    ADD COLUMN depot uuid GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN (state ->> 'depot')::uuid END) STORED,
    ADD COLUMN wheel uuid GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN (state ->> 'wheel')::uuid END) STORED,
    ADD COLUMN vehicle uuid GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN (state ->> 'vehicle')::uuid END) STORED,
    ADD COLUMN position text GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing' THEN state ->> 'position' END) STORED,
    ADD COLUMN axle smallint GENERATED ALWAYS AS
        (CASE WHEN kind = 'casing'
              THEN substring(state ->> 'position' from '^[0-9]+')::smallint END) STORED;

-- They stand behind the rules; asked at commit, so that a rotation in one statement passes.
ALTER TABLE subject ADD CONSTRAINT casing_on_wheel
    UNIQUE (org_id, wheel) DEFERRABLE INITIALLY DEFERRED;
ALTER TABLE subject ADD CONSTRAINT casing_at_position
    UNIQUE (org_id, vehicle, position) DEFERRABLE INITIALLY DEFERRED;

-- One line of the ledger. `bytes` is the record; the other columns are taken from it.
CREATE TABLE entry (
    org_id       uuid        NOT NULL,
    id           uuid        NOT NULL,
    subject_kind text        NOT NULL,
    subject_id   uuid        NOT NULL,
    n            bigint      NOT NULL,
    kind         text        NOT NULL,
    occurred_at  timestamptz NOT NULL,
    recorded_at  timestamptz NOT NULL,
    refused      boolean     NOT NULL,
    retries      uuid,
    cause        uuid,
    -- HMAC-SHA-256 of the entry as sent, by which it is known again; none where the ledger
    -- added the entry itself.
    content      bytea,
    bytes        bytea       NOT NULL,
    CONSTRAINT entry_key PRIMARY KEY (org_id, id),
    CONSTRAINT entry_place UNIQUE (org_id, subject_kind, subject_id, n),
    CONSTRAINT entry_counted CHECK (n > 0),
    CONSTRAINT entry_content CHECK ((content IS NULL) = (cause IS NOT NULL))
);

CREATE INDEX entry_cause ON entry (org_id, cause) WHERE cause IS NOT NULL;
CREATE INDEX entry_retries ON entry (org_id, retries) WHERE retries IS NOT NULL;
CREATE INDEX entry_refused ON entry (org_id, subject_kind, subject_id) WHERE refused;
CREATE INDEX entry_recorded ON entry (org_id, recorded_at, subject_kind, subject_id, n);

ALTER TABLE entry ADD CONSTRAINT entry_subject
    FOREIGN KEY (org_id, subject_kind, subject_id) REFERENCES subject (org_id, kind, id);
ALTER TABLE entry ADD CONSTRAINT entry_retries_entry
    FOREIGN KEY (org_id, retries) REFERENCES entry (org_id, id);
ALTER TABLE entry ADD CONSTRAINT entry_cause_entry
    FOREIGN KEY (org_id, cause) REFERENCES entry (org_id, id);

-- Notes and names, apart so that they can be erased; the entry keeps their salted hash.
CREATE TABLE personal (
    org_id   uuid  NOT NULL,
    entry_id uuid  NOT NULL,
    salt     bytea NOT NULL,
    bytes    bytea NOT NULL,
    CONSTRAINT personal_key PRIMARY KEY (org_id, entry_id)
);

ALTER TABLE personal ADD CONSTRAINT personal_entry
    FOREIGN KEY (org_id, entry_id) REFERENCES entry (org_id, id);

-- Which subject has a brand number, a radio tag, a unit number now.
CREATE TABLE mark (
    org_id       uuid NOT NULL,
    kind         text NOT NULL,
    value        text NOT NULL,
    subject_kind text NOT NULL,
    subject_id   uuid NOT NULL,
    CONSTRAINT mark_key PRIMARY KEY (org_id, kind, value)
);

CREATE INDEX mark_subject ON mark (org_id, subject_kind, subject_id);

ALTER TABLE mark ADD CONSTRAINT mark_of_subject
    FOREIGN KEY (org_id, subject_kind, subject_id) REFERENCES subject (org_id, kind, id);

-- What waits to be sealed. Who seals reads it over all organisations: no row-level security.
CREATE TABLE seal_queue (
    org_id       uuid        NOT NULL,
    entry_id     uuid        NOT NULL,
    recorded_at  timestamptz NOT NULL,
    subject_kind text        NOT NULL,
    subject_id   uuid        NOT NULL,
    n            bigint      NOT NULL,
    leaf_hash    bytea       NOT NULL,
    CONSTRAINT seal_queue_key PRIMARY KEY (org_id, entry_id)
);

ALTER TABLE entry ENABLE ROW LEVEL SECURITY;
ALTER TABLE personal ENABLE ROW LEVEL SECURITY;
ALTER TABLE mark ENABLE ROW LEVEL SECURITY;

CREATE POLICY entry_of_organisation ON entry
    USING (org_id = NULLIF(current_setting('app.org', true), '')::uuid)
    WITH CHECK (org_id = NULLIF(current_setting('app.org', true), '')::uuid);

CREATE POLICY personal_of_organisation ON personal
    USING (org_id = NULLIF(current_setting('app.org', true), '')::uuid)
    WITH CHECK (org_id = NULLIF(current_setting('app.org', true), '')::uuid);

CREATE POLICY mark_of_organisation ON mark
    USING (org_id = NULLIF(current_setting('app.org', true), '')::uuid)
    WITH CHECK (org_id = NULLIF(current_setting('app.org', true), '')::uuid);

GRANT SELECT, INSERT ON entry, personal TO proofhold_service;
GRANT SELECT, INSERT ON seal_queue TO proofhold_service;
GRANT SELECT, INSERT, DELETE ON mark TO proofhold_service;
GRANT SELECT ON entry, mark TO proofhold_reader;

-- What is in the ledger stays, whoever asks: also for the owner and in replication.
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the ledger only grows' USING ERRCODE = 'PH001';
END
$$;

CREATE TRIGGER entry_stays BEFORE UPDATE OR DELETE ON entry
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER entry_is_never_emptied BEFORE TRUNCATE ON entry
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
CREATE TRIGGER personal_stays BEFORE UPDATE OR DELETE ON personal
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER personal_is_never_emptied BEFORE TRUNCATE ON personal
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

ALTER TABLE entry ENABLE ALWAYS TRIGGER entry_stays;
ALTER TABLE entry ENABLE ALWAYS TRIGGER entry_is_never_emptied;
ALTER TABLE personal ENABLE ALWAYS TRIGGER personal_stays;
ALTER TABLE personal ENABLE ALWAYS TRIGGER personal_is_never_emptied;

-- Asked on every request, so one statement without a transaction around it. It runs as the
-- owner, whom row-level security does not bind, and binds the organisation itself.
CREATE FUNCTION session_role(org uuid, person uuid, session uuid) RETURNS text
    LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    -- Such a function keeps its plan; one of plain SQL may be planned at every call.
    RETURN (
        SELECT account.role
          FROM account
          JOIN refresh_family ON refresh_family.org_id = account.org_id
                             AND refresh_family.person_id = account.person_id
         WHERE account.org_id = org AND account.person_id = person AND NOT account.disabled
           AND refresh_family.org_id = org AND refresh_family.id = session
           AND refresh_family.ended_at IS NULL);
END
$$;

REVOKE ALL ON FUNCTION session_role(uuid, uuid, uuid) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION session_role(uuid, uuid, uuid) TO proofhold_service;

ALTER FUNCTION session_role(uuid, uuid, uuid) OWNER TO proofhold_owner;
ALTER TABLE entry OWNER TO proofhold_owner;
ALTER TABLE personal OWNER TO proofhold_owner;
ALTER TABLE mark OWNER TO proofhold_owner;
ALTER TABLE seal_queue OWNER TO proofhold_owner;
ALTER FUNCTION refuse_change() OWNER TO proofhold_owner;
