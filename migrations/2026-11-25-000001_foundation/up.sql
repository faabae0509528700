-- Roles: the owner of the tables, the service that reads and adds, the reader. They are the
-- server's, not the database's: another database may be migrated at this moment and make them too.
DO $$
DECLARE
    role text;
BEGIN
    FOREACH role IN ARRAY ARRAY['proofhold_owner', 'proofhold_service', 'proofhold_reader'] LOOP
        -- Who may not make roles can still migrate where they are made.
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = role) THEN
            BEGIN
                EXECUTE format('CREATE ROLE %I NOLOGIN', role);
            EXCEPTION WHEN duplicate_object OR unique_violation THEN
                NULL; -- The other one made it first.
            END;
        END IF;
    END LOOP;
END
$$;

-- Organisations are found by their slug before any is set, so no row-level security here.
CREATE TABLE organisation (
    id   uuid NOT NULL,
    slug text NOT NULL,
    CONSTRAINT organisation_key PRIMARY KEY (id),
    CONSTRAINT organisation_slug UNIQUE (slug)
);

-- One row a subject: the head of its entries, with its fold.
CREATE TABLE subject (
    org_id      uuid        NOT NULL,
    id          uuid        NOT NULL,
    kind        text        NOT NULL,
    n           bigint      NOT NULL,
    last_entry  uuid,
    recorded_at timestamptz,
    occurred_at timestamptz,
    state       jsonb,
    CONSTRAINT subject_key PRIMARY KEY (org_id, kind, id)
) WITH (fillfactor = 60);

ALTER TABLE subject ADD CONSTRAINT subject_organisation
    FOREIGN KEY (org_id) REFERENCES organisation (id);

ALTER TABLE subject ENABLE ROW LEVEL SECURITY;

CREATE POLICY subject_of_organisation ON subject
    USING (org_id = NULLIF(current_setting('app.org', true), '')::uuid)
    WITH CHECK (org_id = NULLIF(current_setting('app.org', true), '')::uuid);

GRANT SELECT, INSERT ON organisation TO proofhold_service;
GRANT SELECT, INSERT, UPDATE ON subject TO proofhold_service;
GRANT SELECT ON organisation, subject TO proofhold_reader;

-- Accounts and sessions: plain rows, not entries. A person's entries are in the ledger.

CREATE TABLE account (
    org_id        uuid        NOT NULL,
    person_id     uuid        NOT NULL,
    login         text        NOT NULL,
    password_hash text        NOT NULL,
    role          text        NOT NULL,
    disabled      boolean     NOT NULL DEFAULT false,
    created_at    timestamptz NOT NULL,
    updated_at    timestamptz NOT NULL,
    CONSTRAINT account_key PRIMARY KEY (org_id, person_id),
    CONSTRAINT account_login UNIQUE (org_id, login),
    CONSTRAINT account_login_lower CHECK (login = lower(login) AND length(login) BETWEEN 1 AND 64),
    CONSTRAINT account_role CHECK (role IN ('crew', 'office', 'manager', 'auditor', 'admin'))
);

-- One row a session: the current refresh token, as a hash, and how many came before it.
CREATE TABLE refresh_family (
    org_id        uuid        NOT NULL,
    id            uuid        NOT NULL,
    person_id     uuid        NOT NULL,
    device_id     uuid        NOT NULL,
    generation    integer     NOT NULL,
    token_hash    bytea       NOT NULL,
    started_at    timestamptz NOT NULL,
    rotated_at    timestamptz NOT NULL,
    expires_at    timestamptz NOT NULL,
    ended_at      timestamptz,
    ended_because text,
    CONSTRAINT refresh_family_key PRIMARY KEY (org_id, id),
    CONSTRAINT refresh_family_ended CHECK ((ended_at IS NULL) = (ended_because IS NULL)),
    CONSTRAINT refresh_family_because CHECK (
        ended_because IN ('signed_out', 'reused', 'account_changed'))
);

CREATE INDEX refresh_family_person ON refresh_family (org_id, person_id);

ALTER TABLE account ADD CONSTRAINT account_organisation
    FOREIGN KEY (org_id) REFERENCES organisation (id);

ALTER TABLE refresh_family ADD CONSTRAINT refresh_family_account
    FOREIGN KEY (org_id, person_id) REFERENCES account (org_id, person_id);

ALTER TABLE account ENABLE ROW LEVEL SECURITY;
ALTER TABLE refresh_family ENABLE ROW LEVEL SECURITY;

-- Without an organisation set there are no rows and none can be added.
CREATE POLICY account_of_organisation ON account
    USING (org_id = NULLIF(current_setting('app.org', true), '')::uuid)
    WITH CHECK (org_id = NULLIF(current_setting('app.org', true), '')::uuid);

CREATE POLICY refresh_family_of_organisation ON refresh_family
    USING (org_id = NULLIF(current_setting('app.org', true), '')::uuid)
    WITH CHECK (org_id = NULLIF(current_setting('app.org', true), '')::uuid);

GRANT SELECT, INSERT, UPDATE ON account TO proofhold_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON refresh_family TO proofhold_service;

-- The reader sees who has an account, never a hash.
GRANT SELECT (org_id, person_id, login, role, disabled, created_at, updated_at)
    ON account TO proofhold_reader;

ALTER TABLE organisation OWNER TO proofhold_owner;
ALTER TABLE subject OWNER TO proofhold_owner;
ALTER TABLE account OWNER TO proofhold_owner;
ALTER TABLE refresh_family OWNER TO proofhold_owner;
