"""What people do on the install day; the only code here that writes."""
