DROP INDEX subject_worked_on;
ALTER TABLE subject DROP COLUMN worked_on;
