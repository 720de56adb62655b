"""The journal's tables, as steps from one version of the file to the next.

Rule of this file: a released step never changes; a new version is a new step. What an older file does not hold is NULL.
"""

STEPS: tuple[str, ...] = (
    """
    CREATE TABLE players (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE COLLATE NOCASE,
        hand TEXT NOT NULL CHECK (hand IN ('right', 'left')),
        level TEXT NOT NULL CHECK (level IN ('junior', 'club', 'advanced')),
        added_at REAL NOT NULL
    );
    CREATE TABLE sessions (
        id INTEGER PRIMARY KEY,
        run TEXT NOT NULL,
        machine TEXT NOT NULL,
        began_at REAL NOT NULL,
        last_at REAL NOT NULL
    );
    CREATE TABLE sets (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        player_id INTEGER REFERENCES players,
        drill TEXT,
        seed INTEGER,
        number INTEGER NOT NULL,
        of_sets INTEGER,
        balls INTEGER,
        asked_per_min REAL,
        tempo_per_min REAL,
        began_at REAL NOT NULL
    );
    CREATE INDEX sets_of_session ON sets (session_id);
    CREATE TABLE throws (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        set_id INTEGER NOT NULL REFERENCES sets,
        feed_id INTEGER NOT NULL,
        n INTEGER NOT NULL,
        ball TEXT NOT NULL,
        at REAL NOT NULL,
        outcome TEXT NOT NULL,
        reason TEXT,
        commanded INTEGER,
        seen INTEGER,
        made INTEGER,
        speed_mps REAL,
        spin_revps REAL,
        tilt_deg REAL,
        top_rpm REAL,
        bottom_rpm REAL,
        late_ms REAL,
        UNIQUE (session_id, feed_id)
    );
    CREATE INDEX throws_of_set ON throws (set_id);
    CREATE TABLE marks (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        set_id INTEGER REFERENCES sets,
        throw_id INTEGER REFERENCES throws,
        at REAL NOT NULL,
        made INTEGER NOT NULL,
        out_of INTEGER NOT NULL,
        marked_by TEXT
    );
    CREATE INDEX marks_of_set ON marks (set_id);
    CREATE TABLE commands (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        at REAL NOT NULL,
        line TEXT NOT NULL,
        role TEXT NOT NULL,
        caller TEXT NOT NULL,
        came_from TEXT NOT NULL,
        code INTEGER,
        code_name TEXT
    );
    CREATE INDEX commands_of_session ON commands (session_id);
    CREATE TABLE changes (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        set_id INTEGER REFERENCES sets,
        at REAL NOT NULL,
        n INTEGER,
        what TEXT NOT NULL,
        fields TEXT NOT NULL
    );
    CREATE TABLE faults (
        id INTEGER PRIMARY KEY,
        session_id INTEGER NOT NULL REFERENCES sessions,
        at REAL NOT NULL,
        cause TEXT NOT NULL,
        what TEXT,
        hint TEXT
    );
    """,
    # Marks sets on a simulated thrower, which do not count as balls of a day. NULL (not known) for sets written before
    # this step.
    """
    ALTER TABLE sets ADD COLUMN simulated INTEGER;
    CREATE INDEX throws_by_time ON throws (at);
    """,
    # The next step for a fault, and the messages just before it; NULL for faults written before this step.
    """
    ALTER TABLE faults ADD COLUMN next_step TEXT;
    ALTER TABLE faults ADD COLUMN recent TEXT;
    """,
    # The player's elbow, in cm towards the forehand; NULL if not given. And the level whose limits applied to a set,
    # kept even if the player's level changes; NULL if nobody was named, or written before this step.
    """
    ALTER TABLE players ADD COLUMN elbow_cm REAL;
    ALTER TABLE sets ADD COLUMN level TEXT;
    """,
    # Sidespin, positive to the thrower's left, and the angles of pan and roll. NULL if the head has no such axis.
    # Throws written before this step have NULL for all three.
    """
    ALTER TABLE throws ADD COLUMN side_revps REAL;
    ALTER TABLE throws ADD COLUMN pan_deg REAL;
    ALTER TABLE throws ADD COLUMN roll_deg REAL;
    """,
    # What was bent of a ball type to fit the machine; NULL if nothing, or not known.
    "ALTER TABLE throws ADD COLUMN fitted TEXT;",
    # What made a set hard or easy, and the rest before it. How a mark was made, where the missed balls went, and how
    # long after the ball left. NULL if not known, or written before this step.
    """
    ALTER TABLE sets ADD COLUMN title TEXT;
    ALTER TABLE sets ADD COLUMN sequence_kind TEXT;
    ALTER TABLE sets ADD COLUMN rung INTEGER;
    ALTER TABLE sets ADD COLUMN warm_up INTEGER;
    ALTER TABLE sets ADD COLUMN check_set INTEGER;
    ALTER TABLE sets ADD COLUMN rest_s REAL;
    ALTER TABLE marks ADD COLUMN way TEXT;
    ALTER TABLE marks ADD COLUMN net INTEGER;
    ALTER TABLE marks ADD COLUMN long INTEGER;
    ALTER TABLE marks ADD COLUMN delay_s REAL;
    """,
)
