-- The roles stay: other databases of the server may use them.
DROP TABLE refresh_family;
DROP TABLE account;
DROP TABLE subject;
DROP TABLE organisation;
