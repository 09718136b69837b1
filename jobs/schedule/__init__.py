"""A crew-day and all that is worked out from it: hours, stops, price, offers, plans, chances, dates, travel."""
