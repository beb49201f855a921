"""Sites that send at the same moment of a new month: who waited for the other looks whether the partition is there by now.

`to_regclass` remembers that there was none, for waiting for the lock tells it nothing new; a question to the catalogue does
not. The second of two was refused ("already exists") until its next pass.
"""

from typing import Any, cast

from alembic import op

revision = "s0006"
down_revision = "s0005"

MAKE_ROOM = """
CREATE OR REPLACE FUNCTION dewkeeper.make_room(first timestamptz, last timestamptz) RETURNS void LANGUAGE plpgsql SECURITY DEFINER
SET search_path = dewkeeper, pg_temp SET timezone = 'UTC'
AS $$
DECLARE
    at timestamptz := date_trunc('month', greatest(first, timestamptz '2010-01-01'));
    past timestamptz;
    part text;
BEGIN
    WHILE at <= least(last, now() + interval '35 days') LOOP
        part := 'reading_' || to_char(at, 'YYYYMM');
        past := at + interval '1 month';
        IF to_regclass('dewkeeper.' || part) IS NULL THEN
            PERFORM pg_advisory_xact_lock(hashtext('dewkeeper make_room'));
            PERFORM FROM pg_catalog.pg_class WHERE relname = part AND relnamespace = 'dewkeeper'::regnamespace;
            IF NOT FOUND THEN
                EXECUTE format('CREATE TABLE %I (LIKE reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS)', part);
                -- Only after this lock can nobody put another row of this month there.
                LOCK TABLE reading_other IN ACCESS EXCLUSIVE MODE;
                EXECUTE format('WITH moved AS (DELETE FROM reading_other WHERE time >= %L AND time < %L RETURNING *) '
                    'INSERT INTO %I SELECT * FROM moved', at, past, part);
                EXECUTE format('ALTER TABLE reading ATTACH PARTITION %I FOR VALUES FROM (%L) TO (%L)', part, at, past);
            END IF;
        END IF;
        at := past;
    END LOOP;
END $$;
"""


def upgrade() -> None:
    """Put the function in the other's place, as the owner; its rights stay."""
    # Past SQLAlchemy, which would take a % for a parameter's place.
    cast("Any", op.get_bind().connection.driver_connection).execute(MAKE_ROOM)
