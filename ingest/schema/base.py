"""What all tables share."""

from typing import Final

from sqlalchemy import BigInteger, Integer, MetaData

# Numbers of rows that come and go: SQLite's are that long anyway.
ENDLESS: Final = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
