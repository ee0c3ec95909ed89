BEGIN TRANSACTION;
CREATE TABLE entry (
	number INTEGER NOT NULL, 
	time DATETIME NOT NULL, 
	kind VARCHAR(16) NOT NULL, 
	film VARCHAR(64) NOT NULL, 
	patient VARCHAR(64), 
	reader VARCHAR(100) NOT NULL, 
	inputs TEXT NOT NULL, 
	landmarks TEXT NOT NULL, 
	reading TEXT NOT NULL, 
	supersedes INTEGER, 
	software VARCHAR(64) NOT NULL, 
	weights VARCHAR(64) NOT NULL, 
	previous_hash VARCHAR(64) NOT NULL, 
	hash VARCHAR(64) NOT NULL, 
	PRIMARY KEY (number), 
	CONSTRAINT entry_kind CHECK (kind IN ('reading', 'practice')), 
	UNIQUE (supersedes), 
	FOREIGN KEY(supersedes) REFERENCES entry (number), 
	UNIQUE (hash)
);
INSERT INTO "entry" VALUES(1,'2026-11-25 15:52:14.799973','reading','0000000000000000000000000000000000000000000000000000000000000001','0000000000000000000000000000000000000000000000000000000000000007','Ä. B.','{"lip_mark_cm":23.5,"spacing":{"row_mm":0.30000000000000004}}','{"tip":{"column":1e-17,"row":812.1234567890123}}','{"distance":{"on_film_cm":1.5},"verdict":"too low"}',NULL,'0.1.0','ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff','0000000000000000000000000000000000000000000000000000000000000000','20ae5c171f1c4c99c7d0fc31c6b2e1b5108ee59e0a130fe13bfe1e9c856d8e2e');
INSERT INTO "entry" VALUES(2,'2026-11-25 15:52:14.803179','reading','0000000000000000000000000000000000000000000000000000000000000002','0000000000000000000000000000000000000000000000000000000000000007','Ä. B.','{"lip_mark_cm":23.5,"spacing":{"row_mm":0.30000000000000004}}','{"tip":{"column":1e-17,"row":812.1234567890123}}','{"distance":{"on_film_cm":1.5},"verdict":"within range"}',NULL,'0.1.0','ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff','20ae5c171f1c4c99c7d0fc31c6b2e1b5108ee59e0a130fe13bfe1e9c856d8e2e','cc48bd81c6d156f9e39d1f23f3017d60f08fb44b307fe2bbb6265393667a67fd');
INSERT INTO "entry" VALUES(3,'2026-11-25 15:52:14.804496','reading','0000000000000000000000000000000000000000000000000000000000000001','0000000000000000000000000000000000000000000000000000000000000007','Ä. B.','{"lip_mark_cm":23.5,"spacing":{"row_mm":0.30000000000000004}}','{"tip":{"column":1e-17,"row":812.1234567890123}}','{"distance":{"on_film_cm":1.5},"verdict":"near a limit"}',1,'0.1.0','ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff','cc48bd81c6d156f9e39d1f23f3017d60f08fb44b307fe2bbb6265393667a67fd','07ba1645166e77f5dcf99dfb0047f1fd603d6cd379807d6267876238527b227d');
CREATE TABLE logbook (
	id VARCHAR(36) NOT NULL, 
	made DATETIME NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "logbook" VALUES('6b8d05a3-16ae-4046-a890-e375e8d2d1e4','2026-11-25 15:52:14.795849');
CREATE TABLE schema_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT schema_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "schema_version" VALUES('0001');
CREATE TRIGGER entry_next BEFORE INSERT ON entry
    WHEN NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM entry)
      OR NEW.previous_hash <> coalesce((SELECT hash FROM entry ORDER BY number DESC LIMIT 1), '0000000000000000000000000000000000000000000000000000000000000000')
      OR EXISTS (SELECT 1 FROM entry WHERE supersedes = NEW.supersedes)
    BEGIN SELECT RAISE(ABORT, 'logbook: an entry goes after the last one'); END;
CREATE TRIGGER entry_update BEFORE update ON entry
        BEGIN SELECT RAISE(ABORT, 'logbook: entries are only added'); END;
CREATE TRIGGER entry_delete BEFORE delete ON entry
        BEGIN SELECT RAISE(ABORT, 'logbook: entries are only added'); END;
CREATE TRIGGER logbook_update BEFORE update ON logbook
        BEGIN SELECT RAISE(ABORT, 'logbook: entries are only added'); END;
CREATE TRIGGER logbook_delete BEFORE delete ON logbook
        BEGIN SELECT RAISE(ABORT, 'logbook: entries are only added'); END;
COMMIT;
