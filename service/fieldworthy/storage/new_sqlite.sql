-- The newest schema, as the migrations leave it on SQLite. Written by tests/storage/write_schema.py, never by hand.

CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);

CREATE TABLE rulebook_drafts (
	organisation INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	text TEXT NOT NULL, 
	media_type VARCHAR(80) NOT NULL, 
	revision INTEGER NOT NULL, 
	changed_at DATETIME NOT NULL, 
	CONSTRAINT pk_rulebook_drafts PRIMARY KEY (organisation, name), 
	CONSTRAINT ck_rulebook_drafts_revision CHECK (revision >= 1)
);

CREATE TABLE rulebook_versions (
	organisation INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	version INTEGER NOT NULL, 
	digest VARCHAR(71) NOT NULL, 
	title TEXT NOT NULL, 
	text TEXT NOT NULL, 
	media_type VARCHAR(80) NOT NULL, 
	document TEXT NOT NULL, 
	declared TEXT NOT NULL, 
	published_at DATETIME NOT NULL, 
	CONSTRAINT pk_rulebook_versions PRIMARY KEY (organisation, name, version), 
	CONSTRAINT ck_rulebook_versions_version CHECK (version >= 1)
);

CREATE INDEX ix_rulebook_versions_organisation_digest ON rulebook_versions (organisation, digest);

CREATE TRIGGER rulebook_versions_no_update before update on rulebook_versions begin select raise(abort, 'a published version is never changed'); end;

CREATE TRIGGER rulebook_versions_no_delete before delete on rulebook_versions begin select raise(abort, 'a published version is never changed'); end;

CREATE TABLE machines (
	organisation INTEGER NOT NULL, 
	"key" INTEGER NOT NULL, 
	id VARCHAR(120) NOT NULL, 
	revision INTEGER NOT NULL, 
	known BIGINT NOT NULL, 
	rulebook VARCHAR(200) NOT NULL, 
	site VARCHAR(120), serial VARCHAR(120), 
	CONSTRAINT pk_machines PRIMARY KEY (organisation, "key"), 
	CONSTRAINT ck_machines_revision CHECK (revision >= 1), 
	CONSTRAINT uq_machines_organisation_id UNIQUE (organisation, id)
);

CREATE TABLE entries (
	organisation INTEGER NOT NULL, 
	machine INTEGER NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	id VARCHAR(120) NOT NULL, 
	known BIGINT NOT NULL, 
	superseded BIGINT, 
	at BIGINT NOT NULL, 
	about VARCHAR(120) NOT NULL, 
	open SMALLINT NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_entries PRIMARY KEY (organisation, machine, kind, id, known), 
	CONSTRAINT fk_entries_organisation_machine FOREIGN KEY(organisation, machine) REFERENCES machines (organisation, "key")
);

CREATE INDEX ix_entries_organisation_machine_kind_at_id ON entries (organisation, machine, kind, at, id);

CREATE TABLE meters (
	organisation INTEGER NOT NULL, 
	"key" INTEGER NOT NULL, 
	machine INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	last_at BIGINT, 
	last_value BIGINT, 
	last_unit VARCHAR(30), 
	CONSTRAINT pk_meters PRIMARY KEY (organisation, "key"), 
	CONSTRAINT fk_meters_organisation_machine FOREIGN KEY(organisation, machine) REFERENCES machines (organisation, "key"), 
	CONSTRAINT uq_meters_organisation_machine_name UNIQUE (organisation, machine, name)
);

CREATE TABLE readings (
	organisation INTEGER NOT NULL, 
	meter INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	value BIGINT NOT NULL, 
	unit VARCHAR(30), 
	known BIGINT NOT NULL, 
	CONSTRAINT pk_readings PRIMARY KEY (organisation, meter, at)
)
 WITHOUT ROWID

;

CREATE TABLE readings_withdrawn (
	organisation INTEGER NOT NULL, 
	meter INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	known BIGINT NOT NULL, 
	superseded BIGINT NOT NULL, 
	value BIGINT NOT NULL, 
	unit VARCHAR(30), 
	CONSTRAINT pk_readings_withdrawn PRIMARY KEY (organisation, meter, at, known)
);

CREATE TABLE set_aside (
	organisation INTEGER NOT NULL, 
	"key" VARCHAR(40) NOT NULL, 
	machine VARCHAR(120) NOT NULL, 
	meter VARCHAR(120) NOT NULL, 
	at BIGINT NOT NULL, 
	value BIGINT NOT NULL, 
	unit VARCHAR(30), 
	why VARCHAR(40) NOT NULL, 
	details TEXT NOT NULL, 
	known BIGINT NOT NULL, 
	settled BIGINT, 
	settled_as VARCHAR(20), 
	settled_by VARCHAR(120), 
	settled_why TEXT, 
	CONSTRAINT pk_set_aside PRIMARY KEY (organisation, "key")
);

CREATE INDEX ix_set_aside_organisation_settled_known_key ON set_aside (organisation, settled, known, "key");

CREATE INDEX ix_set_aside_organisation_machine_settled ON set_aside (organisation, machine, settled);

CREATE TABLE computed (
	organisation INTEGER NOT NULL, 
	machine INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	known BIGINT NOT NULL, 
	as_of BIGINT NOT NULL, 
	until BIGINT NOT NULL, 
	rulebook VARCHAR(80) NOT NULL, 
	version INTEGER NOT NULL, 
	digest VARCHAR(71) NOT NULL, 
	problem TEXT, 
	overdue INTEGER NOT NULL, 
	due INTEGER NOT NULL, 
	unknown INTEGER NOT NULL, 
	upcoming INTEGER NOT NULL, 
	clear INTEGER NOT NULL, fit VARCHAR(10), fit_because TEXT, announced TEXT, 
	CONSTRAINT pk_computed PRIMARY KEY (organisation, machine), 
	CONSTRAINT fk_computed_organisation_machine FOREIGN KEY(organisation, machine) REFERENCES machines (organisation, "key")
);

CREATE TABLE standings (
	organisation INTEGER NOT NULL, 
	machine INTEGER NOT NULL, 
	task VARCHAR(120) NOT NULL, 
	urgency SMALLINT NOT NULL, 
	rank DOUBLE NOT NULL, 
	machine_id VARCHAR(120) NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	skill VARCHAR(20), 
	due_on VARCHAR(10), 
	body TEXT NOT NULL, 
	CONSTRAINT pk_standings PRIMARY KEY (organisation, machine, task), 
	CONSTRAINT fk_standings_organisation_machine FOREIGN KEY(organisation, machine) REFERENCES machines (organisation, "key")
);

CREATE INDEX ix_standings_order ON standings (organisation, urgency, rank, machine_id, task, machine, kind, skill, due_on);

CREATE TABLE answers (
	organisation INTEGER NOT NULL, 
	"key" VARCHAR(200) NOT NULL, 
	fingerprint VARCHAR(64) NOT NULL, 
	status SMALLINT NOT NULL, 
	headers TEXT NOT NULL, 
	body BLOB NOT NULL, 
	known BIGINT NOT NULL, 
	CONSTRAINT pk_answers PRIMARY KEY (organisation, "key")
);

CREATE INDEX ix_answers_organisation_known ON answers (organisation, known);

CREATE TABLE organisations (
	id INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	created BIGINT NOT NULL, 
	CONSTRAINT pk_organisations PRIMARY KEY (id), 
	CONSTRAINT uq_organisations_name UNIQUE (name)
);

CREATE TABLE keys (
	id VARCHAR(12) NOT NULL, 
	organisation INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	digest BLOB NOT NULL, 
	scopes TEXT NOT NULL, 
	created BIGINT NOT NULL, 
	expires BIGINT NOT NULL, 
	revoked BIGINT, 
	last_used BIGINT, 
	CONSTRAINT pk_keys PRIMARY KEY (id), 
	CONSTRAINT fk_keys_organisation FOREIGN KEY(organisation) REFERENCES organisations (id)
);

CREATE INDEX ix_keys_organisation_created ON keys (organisation, created);

CREATE TABLE rulebook_shares (
	organisation INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	version INTEGER NOT NULL, 
	reader VARCHAR(120) NOT NULL, 
	shared_at DATETIME NOT NULL, 
	CONSTRAINT pk_rulebook_shares PRIMARY KEY (organisation, name, version, reader), 
	CONSTRAINT fk_rulebook_shares_organisation_name_version FOREIGN KEY(organisation, name, version) REFERENCES rulebook_versions (organisation, name, version)
);

CREATE INDEX ix_rulebook_shares_reader ON rulebook_shares (reader);

CREATE INDEX ix_machines_organisation_serial ON machines (organisation, serial);

CREATE TABLE audit (
	organisation INTEGER NOT NULL, 
	n BIGINT NOT NULL, 
	at BIGINT NOT NULL, 
	way VARCHAR(20) NOT NULL, 
	who TEXT, 
	name TEXT, 
	"by" TEXT, 
	kind VARCHAR(20) NOT NULL, 
	id TEXT, 
	machine TEXT, 
	"before" TEXT, 
	"after" TEXT, 
	CONSTRAINT pk_audit PRIMARY KEY (organisation, n)
);

CREATE INDEX ix_audit_organisation_at ON audit (organisation, at);

CREATE INDEX ix_audit_organisation_id ON audit (organisation, id);

CREATE INDEX ix_audit_organisation_machine ON audit (organisation, machine);

CREATE TRIGGER audit_no_update before update on audit begin select raise(abort, 'the audit trail is never changed'); end;

CREATE TRIGGER audit_no_delete before delete on audit begin select raise(abort, 'the audit trail is never changed'); end;

CREATE TRIGGER audit_no_replace before insert on audit when exists (select 1 from audit where organisation = new.organisation and n = new.n) begin select raise(abort, 'the audit trail is never changed'); end;

CREATE TABLE quotas (
	asker VARCHAR(64) NOT NULL, 
	begun BIGINT NOT NULL, 
	granted BIGINT NOT NULL, 
	CONSTRAINT pk_quotas PRIMARY KEY (asker)
);

CREATE TABLE events (
	organisation INTEGER NOT NULL, 
	n BIGINT NOT NULL, 
	id VARCHAR(40) NOT NULL, 
	source TEXT NOT NULL, 
	at BIGINT NOT NULL, 
	type VARCHAR(60) NOT NULL, 
	subject TEXT NOT NULL, 
	machine INTEGER, 
	machine_id VARCHAR(120), 
	site VARCHAR(120), 
	task VARCHAR(120), 
	kind VARCHAR(20), 
	standing VARCHAR(20), 
	body TEXT NOT NULL, 
	CONSTRAINT pk_events PRIMARY KEY (organisation, n), 
	CONSTRAINT fk_events_organisation FOREIGN KEY(organisation, machine) REFERENCES machines (organisation, "key"), 
	CONSTRAINT uq_events_organisation_id UNIQUE (organisation, id)
);

CREATE INDEX ix_events_organisation_at ON events (organisation, at);

CREATE INDEX ix_events_organisation_machine_id_n ON events (organisation, machine_id, n);

CREATE TABLE listeners (
	organisation INTEGER NOT NULL, 
	"key" INTEGER NOT NULL, 
	id VARCHAR(40) NOT NULL, 
	revision INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	document TEXT NOT NULL, 
	secret TEXT NOT NULL, 
	secret_before TEXT, 
	secret_before_until BIGINT, 
	state VARCHAR(20) NOT NULL, 
	failing BIGINT, 
	hold BIGINT, 
	made_at BIGINT NOT NULL, 
	changed_at BIGINT NOT NULL, mail_after BIGINT, tests TEXT, 
	CONSTRAINT pk_listeners PRIMARY KEY (organisation, "key"), 
	CONSTRAINT uq_listeners_organisation_id UNIQUE (organisation, id)
);

CREATE TABLE deliveries (
	organisation INTEGER NOT NULL, 
	event BIGINT NOT NULL, 
	listener INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	machine INTEGER, 
	lane SMALLINT NOT NULL, 
	state VARCHAR(20) NOT NULL, 
	due BIGINT NOT NULL, 
	tries INTEGER NOT NULL, 
	hurried INTEGER NOT NULL, 
	digest VARCHAR(40), 
	lease BIGINT, 
	owner VARCHAR(60), 
	last_at BIGINT, 
	last_status INTEGER, 
	last_trouble TEXT, 
	CONSTRAINT pk_deliveries PRIMARY KEY (organisation, event, listener), 
	CONSTRAINT fk_deliveries_event FOREIGN KEY(organisation, event) REFERENCES events (organisation, n), 
	CONSTRAINT fk_deliveries_listener FOREIGN KEY(organisation, listener) REFERENCES listeners (organisation, "key")
);

CREATE INDEX ix_deliveries_listener ON deliveries (organisation, listener, event);

CREATE INDEX ix_deliveries_due ON deliveries (organisation, due, event) WHERE state = 'waiting';

CREATE INDEX ix_deliveries_queue ON deliveries (organisation, listener, machine, lane, event) WHERE state = 'waiting';

CREATE INDEX ix_deliveries_undelivered ON deliveries (organisation, event) WHERE state = 'undelivered';

CREATE TABLE attempts (
	organisation INTEGER NOT NULL, 
	event BIGINT NOT NULL, 
	listener INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	at BIGINT NOT NULL, 
	ms INTEGER NOT NULL, 
	status INTEGER, 
	trouble TEXT, 
	CONSTRAINT pk_attempts PRIMARY KEY (organisation, event, listener, n), 
	CONSTRAINT fk_attempts_organisation FOREIGN KEY(organisation, event, listener) REFERENCES deliveries (organisation, event, listener)
);

CREATE TABLE due_days (
	organisation INTEGER NOT NULL, 
	machine INTEGER NOT NULL, 
	task VARCHAR(120) NOT NULL, 
	day VARCHAR(10), 
	sequence INTEGER NOT NULL, 
	CONSTRAINT pk_due_days PRIMARY KEY (organisation, machine, task), 
	CONSTRAINT fk_due_days_organisation_machine FOREIGN KEY(organisation, machine) REFERENCES machines (organisation, "key")
);

CREATE TABLE feeds (
	id VARCHAR(12) NOT NULL, 
	organisation INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	machine VARCHAR(120), 
	site VARCHAR(120), 
	digest BLOB NOT NULL, 
	created BIGINT NOT NULL, 
	revoked BIGINT, 
	last_used BIGINT, 
	CONSTRAINT pk_feeds PRIMARY KEY (id)
);

CREATE INDEX ix_feeds_organisation_created_id ON feeds (organisation, created, id);

CREATE INDEX ix_deliveries_turn ON deliveries (organisation, listener, lane, due, event) WHERE state = 'waiting';

CREATE INDEX ix_deliveries_begun ON deliveries (organisation, listener) WHERE state = 'waiting' and digest is not null;

insert into alembic_version (version_num) values ('0013');
