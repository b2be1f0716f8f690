"""The boards a computer can talk to: the virtual one and real ones."""
