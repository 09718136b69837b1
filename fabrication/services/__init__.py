"""What people do in the workroom; the only code here that writes."""
