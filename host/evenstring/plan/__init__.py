"""What the next year brings under each habit of charging, from one pack's own drift, bleed and spread."""
