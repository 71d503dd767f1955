"""The database: a private PostgreSQL server where none is given, and the roles that use it.

`embedded.join` is the door. The rest, from the outside in: `cluster` (make, start, stop one server), `home`
(where it lies), `account` (as whom it runs), `programs` (whose binaries), `locks`. All of these need the
standard library only, since `keeper` runs them in a process of its own that outlives a killed service;
`roles` and `backend` need psycopg and Django."""
