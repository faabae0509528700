ALTER TABLE subject DROP COLUMN axle;
ALTER TABLE subject ADD COLUMN axle smallint GENERATED ALWAYS AS
    (CASE WHEN kind = 'casing'
          THEN substring(state ->> 'position' from '^[0-9]+')::smallint END) STORED;
