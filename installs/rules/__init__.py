"""Rules of the install day: hardware, fixings, ladders, loads, causes. No Django in here."""
