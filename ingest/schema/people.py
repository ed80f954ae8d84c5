"""Who may use the dashboard, and what they changed."""

from sqlalchemy import JSON, BigInteger, Column, ForeignKey, Index, Integer, String, Table, Text, UniqueConstraint

from ingest.schema.base import metadata

# Who may use the dashboard (`accounts.Person`). `session` is another one when all of a person's sessions are to end.
person = Table(
    "person",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(128), nullable=False),
    Column("secret_hash", Text, nullable=False),
    Column("role", String(16), nullable=False),
    Column("fleets", JSON, nullable=False),  # none: all
    Column("depots", JSON, nullable=False),  # none: all
    Column("units", JSON, nullable=False),
    Column("language", String(8)),  # null: as their browser asks
    Column("session", BigInteger, nullable=False),  # random
    Column("totp_secret", Text),  # of the second factor, sealed; null: none
    Column("totp_step", BigInteger, nullable=False, server_default="0"),  # of the newest code taken: each counts once
    Column("recovery_hashes", JSON),  # of the codes that are left; null: none
    UniqueConstraint("name"),
    sqlite_autoincrement=True,  # no number is given twice
)

# What lets a program in on behalf of a person; of the secret only a hash is kept.
access_token = Table(
    "access_token",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person_id", Integer, ForeignKey("person.id"), nullable=False, index=True),
    Column("label", String(128), nullable=False),
    Column("scope", String(16), nullable=False),  # `access_tokens.SCOPES`
    Column("secret_hash", String(64), nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("used_us", BigInteger),
    sqlite_autoincrement=True,  # no number is given twice
)

# Attempts to sign in that failed, so that nobody can go on guessing at any of several servers.
attempt = Table(
    "attempt",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(128), nullable=False),
    Column("origin", String(64), nullable=False),
    Column("at_us", BigInteger, nullable=False, index=True),
)

# Who changed what of the set-up, and who came in or tried to (`change_log.Event`); work and alarms keep their own history. Only
# ever added to; what is old goes by number and age.
change_log = Table(
    "change_log",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at_us", BigInteger, nullable=False),
    Column("event", String(16), nullable=False, server_default="set_up"),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("origin", String(64)),  # address that it came from, where there is one
    Index(None, "event"),
)

# What somebody keeps to look at again: the query of the fleet's page, by a name. Person 0: whoever is on this machine, before anybody
# is named.
saved_view = Table(
    "saved_view",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person_id", Integer, nullable=False),
    Column("name", String(64), nullable=False),
    Column("query", Text, nullable=False),
    UniqueConstraint("person_id", "name"),
)

# What all servers of one database share: the key that signs sessions.
app_secret = Table(
    "app_secret",
    metadata,
    Column("name", String(32), primary_key=True),
    Column("value", Text, nullable=False),
)
