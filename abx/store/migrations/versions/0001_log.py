"""The append-only log, its bodies, the vault, staff sign-in."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

SEQ = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "log",
        sa.Column("study", sa.String(64), primary_key=True),
        sa.Column("seq", SEQ, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("session", sa.String(64), nullable=False),
        sa.Column("session_seq", sa.Integer, nullable=False),
        sa.Column("key", sa.String(160), nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
        sa.Column("body_digest", sa.String(64), nullable=False),
        sa.Column("session_prev", sa.String(64), nullable=False),
        sa.Column("prev", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.UniqueConstraint("study", "key", name="log_key_once"),
    )
    op.create_index("log_by_session", "log", ["study", "session", "session_seq"])
    op.create_index("log_by_kind", "log", ["study", "kind", "seq"])
    op.create_table(
        "log_body",
        sa.Column("study", sa.String(64), primary_key=True),
        sa.Column("seq", SEQ, primary_key=True, autoincrement=False),
        sa.Column("salt", sa.String(64), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.ForeignKeyConstraint(["study", "seq"], ["log.study", "log.seq"], name="log_body_row"),
    )
    op.create_table(
        "vault",
        sa.Column("study", sa.String(64), primary_key=True),
        sa.Column("seed", sa.String(128), nullable=False),
        sa.Column("token_key", sa.String(128), nullable=False),
    )
    op.create_table(
        "operators",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("passphrase_hash", sa.Text, nullable=False),
        sa.Column("set_at", sa.String(40), nullable=False),
    )
    op.create_table(
        "sign_in_attempts",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at_s", sa.Float, nullable=False),
        sa.Column("succeeded", sa.Integer, nullable=False),
    )
    op.create_index("sign_in_attempts_by_time", "sign_in_attempts", ["at_s"])
    statements = SQLITE if op.get_bind().dialect.name == "sqlite" else POSTGRESQL
    for statement in statements:
        op.execute(statement)


# A replacing insert deletes without asking the delete trigger, hence the insert trigger,
# which also keeps the chain free of gaps.
SQLITE = [
    """
    CREATE TRIGGER log_appends BEFORE INSERT ON log
    WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM log WHERE study = NEW.study)
      OR EXISTS (SELECT 1 FROM log WHERE study = NEW.study AND key = NEW.key)
    BEGIN SELECT raise(ABORT, 'the log is append-only: rows follow one another'); END
    """,
    """
    CREATE TRIGGER log_no_update BEFORE UPDATE ON log
    BEGIN SELECT raise(ABORT, 'the log is append-only: no update'); END
    """,
    """
    CREATE TRIGGER log_no_delete BEFORE DELETE ON log
    BEGIN SELECT raise(ABORT, 'the log is append-only: no delete'); END
    """,
    """
    CREATE TRIGGER log_body_once BEFORE INSERT ON log_body
    WHEN EXISTS (SELECT 1 FROM log_body WHERE study = NEW.study AND seq = NEW.seq)
    BEGIN SELECT raise(ABORT, 'the log is append-only: a body is written once'); END
    """,
    """
    CREATE TRIGGER log_body_no_update BEFORE UPDATE ON log_body
    BEGIN SELECT raise(ABORT, 'the log is append-only: no update'); END
    """,
    """
    CREATE TRIGGER log_body_no_delete BEFORE DELETE ON log_body
    WHEN NOT EXISTS (
      SELECT 1 FROM log AS own JOIN log AS gone
        ON gone.study = own.study AND gone.session = own.session
      WHERE own.study = OLD.study AND own.seq = OLD.seq
        AND own.session <> '' AND gone.kind = 'withdrawal' AND own.kind <> 'withdrawal'
    )
    BEGIN SELECT raise(ABORT, 'the log is append-only: no delete without a withdrawal'); END
    """,
]

POSTGRESQL = [
    """
    CREATE FUNCTION log_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      RAISE EXCEPTION 'the log is append-only: no %', lower(TG_OP);
    END $$
    """,
    """
    CREATE FUNCTION log_check_append() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      IF NEW.seq IS DISTINCT FROM
         (SELECT coalesce(max(seq), 0) + 1 FROM log WHERE study = NEW.study) THEN
        RAISE EXCEPTION 'the log is append-only: rows follow one another';
      END IF;
      RETURN NEW;
    END $$
    """,
    """
    CREATE FUNCTION log_check_body_delete() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
      IF NOT EXISTS (
        SELECT 1 FROM log AS own JOIN log AS gone
          ON gone.study = own.study AND gone.session = own.session
        WHERE own.study = OLD.study AND own.seq = OLD.seq
          AND own.session <> '' AND gone.kind = 'withdrawal' AND own.kind <> 'withdrawal'
      ) THEN
        RAISE EXCEPTION 'the log is append-only: no delete without a withdrawal';
      END IF;
      RETURN OLD;
    END $$
    """,
    """
    CREATE TRIGGER log_appends BEFORE INSERT ON log
    FOR EACH ROW EXECUTE FUNCTION log_check_append()
    """,
    """
    CREATE TRIGGER log_no_change BEFORE UPDATE OR DELETE ON log
    FOR EACH ROW EXECUTE FUNCTION log_refuse()
    """,
    """
    CREATE TRIGGER log_no_truncate BEFORE TRUNCATE ON log
    FOR EACH STATEMENT EXECUTE FUNCTION log_refuse()
    """,
    """
    CREATE TRIGGER log_body_no_update BEFORE UPDATE ON log_body
    FOR EACH ROW EXECUTE FUNCTION log_refuse()
    """,
    """
    CREATE TRIGGER log_body_no_truncate BEFORE TRUNCATE ON log_body
    FOR EACH STATEMENT EXECUTE FUNCTION log_refuse()
    """,
    """
    CREATE TRIGGER log_body_no_delete BEFORE DELETE ON log_body
    FOR EACH ROW EXECUTE FUNCTION log_check_body_delete()
    """,
]
