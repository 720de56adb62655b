-- A journal as version 1 wrote it, kept as text: one player, two sets, one of them marked.
PRAGMA application_id = 1685219889;
PRAGMA user_version = 1;
CREATE TABLE players (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE COLLATE NOCASE,
    hand TEXT NOT NULL CHECK (hand IN ('right', 'left')),
    level TEXT NOT NULL CHECK (level IN ('junior', 'club', 'advanced')),
    added_at REAL NOT NULL
);
CREATE TABLE sessions (
    id INTEGER PRIMARY KEY, run TEXT NOT NULL, machine TEXT NOT NULL, began_at REAL NOT NULL, last_at REAL NOT NULL
);
CREATE TABLE sets (
    id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, player_id INTEGER REFERENCES players,
    drill TEXT, seed INTEGER, number INTEGER NOT NULL, of_sets INTEGER, balls INTEGER, asked_per_min REAL,
    tempo_per_min REAL, began_at REAL NOT NULL
);
CREATE INDEX sets_of_session ON sets (session_id);
CREATE TABLE throws (
    id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, set_id INTEGER NOT NULL REFERENCES sets,
    feed_id INTEGER NOT NULL, n INTEGER NOT NULL, ball TEXT NOT NULL, at REAL NOT NULL, outcome TEXT NOT NULL,
    reason TEXT, commanded INTEGER, seen INTEGER, made INTEGER, speed_mps REAL, spin_revps REAL, tilt_deg REAL,
    top_rpm REAL, bottom_rpm REAL, late_ms REAL, UNIQUE (session_id, feed_id)
);
CREATE INDEX throws_of_set ON throws (set_id);
CREATE TABLE marks (
    id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, set_id INTEGER REFERENCES sets,
    throw_id INTEGER REFERENCES throws, at REAL NOT NULL, made INTEGER NOT NULL, out_of INTEGER NOT NULL, marked_by TEXT
);
CREATE INDEX marks_of_set ON marks (set_id);
CREATE TABLE commands (
    id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, at REAL NOT NULL, line TEXT NOT NULL,
    role TEXT NOT NULL, caller TEXT NOT NULL, came_from TEXT NOT NULL, code INTEGER, code_name TEXT
);
CREATE INDEX commands_of_session ON commands (session_id);
CREATE TABLE changes (
    id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, set_id INTEGER REFERENCES sets,
    at REAL NOT NULL, n INTEGER, what TEXT NOT NULL, fields TEXT NOT NULL
);
CREATE TABLE faults (
    id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES sessions, at REAL NOT NULL, cause TEXT NOT NULL,
    what TEXT, hint TEXT
);
INSERT INTO players VALUES (1, 'left-hander', 'left', 'junior', 1772873000.0);
INSERT INTO sessions VALUES (1, 'run-of-old', 'kit-build', 1772874000.0, 1772874900.0);
INSERT INTO sets VALUES (1, 1, 1, 'warm-up', 3, 1, 2, 2, 30.0, 30.0, 1772874010.0);
INSERT INTO sets VALUES (2, 1, NULL, 'warm-up', 3, 2, 2, 2, 30.0, 28.5, 1772874100.0);
INSERT INTO throws VALUES (1, 1, 1, 1, 1, 'no-spin-steady', 1772874020.0, 'fed', NULL, 1, NULL, 1, 6.5, 0.0, 18.9, 2000.0, 2000.0, 0.2);
INSERT INTO throws VALUES (2, 1, 1, 2, 2, 'no-spin-steady', 1772874022.0, 'skipped', 'late', 0, NULL, NULL, 6.5, 0.0, 18.9, 2000.0, 2000.0, NULL);
INSERT INTO marks VALUES (1, 1, 1, 1, 1772874023.0, 1, 1, 'player');
INSERT INTO commands VALUES (1, 1, 1772874005.0, 'start 0', 'player', '127.0.0.1', '127.0.0.1 port 50001', NULL, NULL);
