-- The spares of a vehicle are looked for together, as axle 0.
ALTER TABLE subject DROP COLUMN axle;
ALTER TABLE subject ADD COLUMN axle smallint GENERATED ALWAYS AS
    (CASE WHEN kind <> 'casing' THEN NULL
          WHEN state ->> 'position' LIKE 'SP%' THEN 0
          ELSE substring(state ->> 'position' from '^[0-9]+')::smallint END) STORED;
