"""How a job is shown to everybody outside: standard state and reasons, with our situation beside them. Pure."""

from typing import Any

from layergate.jobs.states import STATES
from layergate.jobs.store import Job


def job_view(job: Job) -> dict[str, Any]:
    """Give a job as everybody outside sees it."""
    state, reason = STATES[job.situation]
    return {
        "id": job.id,
        "name": job.name,
        "printer": job.printer,
        "state": state,
        "reasons": [reason],
        "situation": job.situation,
        "message": job.message,
        "verdict": job.verdict,
        "sha256": job.sha256,
        "size_bytes": job.size_bytes,
        "source": job.source,
        "submitted_at": job.submitted_at,
        "started_at": job.started_at,
        "ended_at": job.ended_at,
        "layer": job.layer,
        "layers": job.layers,
        "line": job.line,
        "planned_s": job.planned_s,
        "report_sha256": job.report_sha256,
    }
