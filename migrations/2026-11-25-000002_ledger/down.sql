DROP FUNCTION session_role(uuid, uuid, uuid);
DROP TABLE seal_queue;
DROP TABLE mark;
DROP TABLE personal;
DROP TABLE entry;
DROP FUNCTION refuse_change();

ALTER TABLE subject DROP CONSTRAINT casing_at_position;
ALTER TABLE subject DROP CONSTRAINT casing_on_wheel;
ALTER TABLE subject
    DROP COLUMN axle,
    DROP COLUMN position,
    DROP COLUMN vehicle,
    DROP COLUMN wheel,
    DROP COLUMN depot,
    DROP COLUMN model,
    DROP COLUMN whereabouts,
    DROP COLUMN standing;

ALTER TABLE organisation DROP COLUMN name;
