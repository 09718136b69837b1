"""The pages of jobs and the calendar."""
