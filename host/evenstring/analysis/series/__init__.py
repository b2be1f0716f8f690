"""What is measured, as arrays that every finding shares: signals, tools on arrays, the meter's uncertainty."""
