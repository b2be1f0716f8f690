"""What a technician needs round a measurement: acceptance limits, the job, and the sheet for the owner."""
