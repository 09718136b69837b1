"""What people do with jobs and their calendar; the only code here that writes."""
