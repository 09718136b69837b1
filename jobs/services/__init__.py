"""What people do with jobs and their calendar; the only code here that writes."""

from jobs.services.stages import lock_job, lock_open_job, recompute_stage, stage_facts

__all__ = ["lock_job", "lock_open_job", "recompute_stage", "stage_facts"]
