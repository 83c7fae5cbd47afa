-- The newest schema, as the migrations leave it on SQLite. Written by tests/storage/write_schema.py, never by hand.

CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);

CREATE TABLE rulebook_drafts (
	name VARCHAR(80) NOT NULL, 
	text TEXT NOT NULL, 
	media_type VARCHAR(80) NOT NULL, 
	revision INTEGER NOT NULL, 
	changed_at DATETIME NOT NULL, 
	CONSTRAINT pk_rulebook_drafts PRIMARY KEY (name), 
	CONSTRAINT ck_rulebook_drafts_revision CHECK (revision >= 1)
);

CREATE TABLE rulebook_versions (
	name VARCHAR(80) NOT NULL, 
	version INTEGER NOT NULL, 
	digest VARCHAR(71) NOT NULL, 
	title TEXT NOT NULL, 
	text TEXT NOT NULL, 
	media_type VARCHAR(80) NOT NULL, 
	document TEXT NOT NULL, 
	declared TEXT NOT NULL, 
	published_at DATETIME NOT NULL, 
	CONSTRAINT pk_rulebook_versions PRIMARY KEY (name, version), 
	CONSTRAINT ck_rulebook_versions_version CHECK (version >= 1)
);

CREATE INDEX ix_rulebook_versions_digest ON rulebook_versions (digest);

CREATE TRIGGER rulebook_versions_no_update before update on rulebook_versions begin select raise(abort, 'a published version is never changed'); end;

CREATE TRIGGER rulebook_versions_no_delete before delete on rulebook_versions begin select raise(abort, 'a published version is never changed'); end;

insert into alembic_version (version_num) values ('0001');
