-- What the index keeps. All of it can be made again from the result files.
CREATE TABLE folder (path TEXT PRIMARY KEY) WITHOUT ROWID;

CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    identity TEXT NOT NULL UNIQUE,
    began TEXT NOT NULL,
    program TEXT NOT NULL,
    operator TEXT NOT NULL,
    recipe_name TEXT NOT NULL,
    recipe_version TEXT NOT NULL,
    supersedes TEXT
);
CREATE INDEX run_recipe ON run (recipe_version);
CREATE INDEX run_supersedes ON run (supersedes);

CREATE TABLE place (
    path TEXT PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run ON DELETE CASCADE,
    length INTEGER NOT NULL,
    modified INTEGER NOT NULL,
    gone INTEGER NOT NULL
);
CREATE INDEX place_run ON place (run);

-- Recordings that a run left out, with the reason, in words.
CREATE TABLE left_out (
    run INTEGER NOT NULL REFERENCES run ON DELETE CASCADE,
    said TEXT NOT NULL
);
CREATE INDEX left_out_run ON left_out (run);

CREATE TABLE entry (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run ON DELETE CASCADE,
    name TEXT NOT NULL,
    title TEXT NOT NULL
);
CREATE INDEX entry_run ON entry (run);
CREATE INDEX entry_title ON entry (title);

CREATE TABLE recording (
    entry INTEGER NOT NULL REFERENCES entry ON DELETE CASCADE,
    role TEXT NOT NULL,
    path TEXT NOT NULL,
    file_name TEXT NOT NULL
);
CREATE INDEX recording_entry ON recording (entry);
CREATE INDEX recording_file_name ON recording (file_name);

CREATE TABLE node (
    id INTEGER PRIMARY KEY,
    entry INTEGER NOT NULL REFERENCES entry ON DELETE CASCADE,
    name TEXT NOT NULL,
    stage TEXT NOT NULL,
    version INTEGER NOT NULL,
    key TEXT NOT NULL
);
CREATE INDEX node_entry ON node (entry);
CREATE INDEX node_stage ON node (stage, version);
CREATE INDEX node_key ON node (key);

CREATE TABLE sample (
    node INTEGER NOT NULL REFERENCES node ON DELETE CASCADE,
    point INTEGER NOT NULL,
    hash TEXT NOT NULL
);
CREATE INDEX sample_node ON sample (node);
CREATE INDEX sample_hash ON sample (hash);

CREATE TABLE constant (
    node INTEGER NOT NULL REFERENCES node ON DELETE CASCADE,
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    dimension TEXT NOT NULL,
    value REAL
);
CREATE INDEX constant_node ON constant (node);
CREATE INDEX constant_name ON constant (name, dimension, value);

CREATE TABLE output (
    id INTEGER PRIMARY KEY,
    entry INTEGER NOT NULL REFERENCES entry ON DELETE CASCADE,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    axis TEXT NOT NULL,
    axis_unit TEXT NOT NULL
);
CREATE INDEX output_entry ON output (entry);

-- Which nodes are behind an output.
CREATE TABLE behind (
    node INTEGER NOT NULL REFERENCES node ON DELETE CASCADE,
    output INTEGER NOT NULL REFERENCES output ON DELETE CASCADE,
    PRIMARY KEY (node, output)
) WITHOUT ROWID;
CREATE INDEX behind_output ON behind (output);

CREATE TABLE dimension (id INTEGER PRIMARY KEY, unit TEXT NOT NULL UNIQUE);

CREATE TABLE number (
    output INTEGER NOT NULL REFERENCES output ON DELETE CASCADE,
    point INTEGER NOT NULL,
    part INTEGER NOT NULL,
    dimension INTEGER NOT NULL REFERENCES dimension,
    value REAL NOT NULL,
    uncertainty REAL,
    axis REAL
);
CREATE INDEX number_value ON number (dimension, value);
CREATE INDEX number_output ON number (output);
