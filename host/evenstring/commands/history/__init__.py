"""Commands about one pack over months."""
