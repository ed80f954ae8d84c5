"""Numbers of sessions are random, and numbers of people are given once: nobody's cookie becomes another's."""

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Everybody signs in once more."""
    with op.batch_alter_table("person", recreate="auto", table_kwargs={"sqlite_autoincrement": True}) as table:
        table.alter_column("session", existing_type=sa.Integer(), type_=sa.BigInteger(), existing_nullable=False)
    person = sa.table("person", sa.column("id", sa.Integer), sa.column("session", sa.BigInteger))
    connection = op.get_bind()
    for id_ in connection.scalars(sa.select(person.c.id)).all():
        connection.execute(sa.update(person).where(person.c.id == id_).values(session=secrets.randbits(62)))
