-- What was erased stays erased.
DROP FUNCTION erase_personal(uuid, uuid[]);
DROP TRIGGER personal_stays ON personal;
CREATE TRIGGER personal_stays BEFORE UPDATE OR DELETE ON personal
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
ALTER TABLE personal ENABLE ALWAYS TRIGGER personal_stays;
DROP FUNCTION refuse_unless_erased();
