BEGIN TRANSACTION;
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
INSERT INTO "about" VALUES('identity','b89788e1-b888-403c-91bb-62ca978907f3');
CREATE TABLE attached (
    entry INTEGER NOT NULL REFERENCES entry (number),
    role TEXT NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL REFERENCES source (sha256),
    PRIMARY KEY (entry, role)
) STRICT;
INSERT INTO "attached" VALUES(2,'readings','power.csv','06d309dab93dc6d7bc7bf7e0f31230d4c8bb1964030a1c7d89d37d3579542773');
CREATE TABLE entry (
    number INTEGER PRIMARY KEY CHECK (number > 0),
    kind TEXT NOT NULL CHECK (kind <> ''),
    time TEXT NOT NULL,
    recorded TEXT NOT NULL,
    operator TEXT NOT NULL,
    version TEXT NOT NULL,
    machine TEXT,
    lot TEXT,
    beam TEXT,
    corrects INTEGER UNIQUE REFERENCES entry (number) CHECK (corrects < number),
    origin TEXT NOT NULL,
    payload TEXT NOT NULL CHECK (json_valid(payload)),
    previous TEXT NOT NULL,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64)
) STRICT;
INSERT INTO "entry" VALUES(1,'machine','2026-01-05T08:00:00.000000Z','2026-11-25T10:22:04.758019Z','','0.1.0','north',NULL,NULL,NULL,'','{"wavelength":{"value":355.0,"unit":"nm"}}','0000000000000000000000000000000000000000000000000000000000000000','3ccedb3affde9a1dbdcbd420f1b5345dca7f3b301cc3530ba7a727fb59ede1af');
INSERT INTO "entry" VALUES(2,'power','2026-01-05T08:10:00.000000Z','2026-11-25T10:22:04.759508Z','ab','0.1.0','north',NULL,NULL,NULL,'','{"power":{"value":300.0,"unit":"mW","standard_uncertainty":6.0}}','3ccedb3affde9a1dbdcbd420f1b5345dca7f3b301cc3530ba7a727fb59ede1af','a2907a1ac1d894cd30a49bd3a5809ec78ef8b7912e90915013f954a38a1c2abc');
INSERT INTO "entry" VALUES(3,'power','2026-01-05T08:10:00.000000Z','2026-11-25T10:22:04.760396Z','','0.1.0','north',NULL,NULL,2,'','{"power":{"value":301.0,"unit":"mW","standard_uncertainty":6.0}}','a2907a1ac1d894cd30a49bd3a5809ec78ef8b7912e90915013f954a38a1c2abc','90c152f1321d2b2e5376393dd0cacca6d8feff4f80c8bedd686542655d7e6cfa');
INSERT INTO "entry" VALUES(4,'note','2026-11-25T10:22:04.760927Z','2026-11-25T10:22:04.760945Z','','0.1.0',NULL,NULL,NULL,NULL,'','{"text":"quotes '' \" and \u202eright to left\n=1+1"}','90c152f1321d2b2e5376393dd0cacca6d8feff4f80c8bedd686542655d7e6cfa','fc5fda581b3d94dbb88e56a6dc4e3dd775b89295fcd667b7618861e974ceee54');
CREATE TABLE source (
    sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64),
    size INTEGER NOT NULL CHECK (size >= 0),
    data BLOB CHECK (data IS NULL OR length(data) = size)
) STRICT;
INSERT INTO "source" VALUES('06d309dab93dc6d7bc7bf7e0f31230d4c8bb1964030a1c7d89d37d3579542773',23,X'706F776572205B6D575D0A3330300A3330310A3239390A');
CREATE TRIGGER entry_in_order BEFORE INSERT ON entry
WHEN NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entry)
BEGIN SELECT RAISE(ABORT, 'entries are numbered one after the other'); END;
CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER attached_no_update BEFORE UPDATE ON attached
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER attached_no_delete BEFORE DELETE ON attached
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER source_no_update BEFORE UPDATE ON source
WHEN OLD.data IS NOT NULL OR NEW.sha256 <> OLD.sha256 OR NEW.size <> OLD.size
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER source_no_delete BEFORE DELETE ON source
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER about_no_update BEFORE UPDATE ON about
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
CREATE TRIGGER about_no_delete BEFORE DELETE ON about
BEGIN SELECT RAISE(ABORT, 'the logbook is append-only: write a correction'); END;
COMMIT;
