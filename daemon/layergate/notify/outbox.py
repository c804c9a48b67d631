"""The outbox of alerts: rows of the journal, kept until the broker acknowledged them, bounded in number.

Each function runs inside one journal transaction. Also the list of past alerts that people look at. Knows no broker.
"""

import json
import sqlite3
from dataclasses import dataclass
from typing import Any

from layergate.notify.alerts import Alert

KEPT_ALERTS = 2000  # told ones that stay readable; some years of a calm workshop


@dataclass(frozen=True, slots=True)
class Waiting:
    """An alert that waits for its acknowledgement."""

    seq: int
    body: dict[str, Any]


def put(db: sqlite3.Connection, alert: Alert, *, waiting: bool, most_waiting: int) -> int:
    """Keep an alert, to be told to a broker where there is one; gives how many older ones had to be given up."""
    db.execute(
        "INSERT INTO alert (id, body, waiting) VALUES (?, ?, ?)", (alert.id, json.dumps(alert.as_dict()), int(waiting))
    )
    over = count(db) - most_waiting
    if over > 0:
        given_up = 0
        rows = db.execute("SELECT seq, body FROM alert WHERE waiting ORDER BY seq LIMIT ?", (over,)).fetchall()
        for row in rows:
            given_up += 1 + json.loads(row["body"]).get("given_up_before", 0)
            db.execute("UPDATE alert SET waiting = 0 WHERE seq = ?", (row["seq"],))
        # The oldest that is still to be told says that others before it are missing: nothing is dropped in silence.
        first = next_waiting(db)
        if first is not None:
            body = json.dumps(first.body | {"given_up_before": first.body.get("given_up_before", 0) + given_up})
            db.execute("UPDATE alert SET body = ? WHERE seq = ?", (body, first.seq))
    db.execute("DELETE FROM alert WHERE NOT waiting AND seq <= (SELECT MAX(seq) FROM alert) - ?", (KEPT_ALERTS,))
    return max(0, over)


def count(db: sqlite3.Connection) -> int:
    """Count the alerts that wait."""
    return int(db.execute("SELECT COUNT(*) FROM alert WHERE waiting").fetchone()[0])


def next_waiting(db: sqlite3.Connection) -> Waiting | None:
    """Give the oldest alert that waits."""
    row = db.execute("SELECT seq, body FROM alert WHERE waiting ORDER BY seq LIMIT 1").fetchone()
    return Waiting(row["seq"], json.loads(row["body"])) if row else None


def told(db: sqlite3.Connection, seq: int) -> None:
    """Note that the broker acknowledged an alert."""
    db.execute("UPDATE alert SET waiting = 0 WHERE seq = ?", (seq,))


def recent(db: sqlite3.Connection, limit: int = 100) -> list[dict[str, Any]]:
    """Give the latest alerts, oldest of them first."""
    rows = db.execute("SELECT body FROM alert ORDER BY seq DESC LIMIT ?", (limit,)).fetchall()
    return [json.loads(row["body"]) for row in reversed(rows)]
