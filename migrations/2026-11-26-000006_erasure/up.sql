-- The one thing that can leave the ledger: the personal part of an entry, with its salt, once
-- the ledger says that it is erased. Whoever deletes a row without that is refused as before.
CREATE FUNCTION refuse_unless_erased() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' AND EXISTS (
        SELECT FROM entry named
          JOIN entry erased ON erased.org_id = named.org_id
                           AND erased.subject_kind = named.subject_kind
                           AND erased.subject_id = named.subject_id
         WHERE named.org_id = OLD.org_id AND named.id = OLD.entry_id
           AND erased.kind = 'erased' AND NOT erased.refused
           AND convert_from(erased.bytes, 'UTF8')::jsonb -> 'facts' ->> 'entry'
               = OLD.entry_id::text)
    THEN
        RETURN OLD;
    END IF;
    RAISE EXCEPTION 'the ledger only grows' USING ERRCODE = 'PH001';
END
$$;

DROP TRIGGER personal_stays ON personal;
CREATE TRIGGER personal_stays BEFORE UPDATE OR DELETE ON personal
    FOR EACH ROW EXECUTE FUNCTION refuse_unless_erased();
ALTER TABLE personal ENABLE ALWAYS TRIGGER personal_stays;

-- Takes away what these `erased` entries name. It runs as the owner, because nobody else may
-- delete there, and binds the organisation itself.
CREATE FUNCTION erase_personal(org uuid, orders uuid[]) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    DELETE FROM personal
     USING entry erased
     WHERE erased.org_id = org AND erased.id = ANY (orders)
       AND erased.kind = 'erased' AND NOT erased.refused
       AND personal.org_id = org
       AND personal.entry_id
           = (convert_from(erased.bytes, 'UTF8')::jsonb -> 'facts' ->> 'entry')::uuid;
END
$$;

REVOKE ALL ON FUNCTION erase_personal(uuid, uuid[]) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION erase_personal(uuid, uuid[]) TO proofhold_service;

ALTER FUNCTION refuse_unless_erased() OWNER TO proofhold_owner;
ALTER FUNCTION erase_personal(uuid, uuid[]) OWNER TO proofhold_owner;
