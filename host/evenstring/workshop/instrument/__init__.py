"""A bench supply or a load by SCPI: what is asked of it, what it may do, and what takes it off again."""
