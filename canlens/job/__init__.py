"""Job details: whose vehicle, which parts, how it was recorded; what a hand-over says besides what was measured."""

from canlens.job.details import JobDetails, identifying_texts, without_identity
from canlens.job.toml_job import job_schema, load_job

__all__ = ["JobDetails", "identifying_texts", "job_schema", "load_job", "without_identity"]
