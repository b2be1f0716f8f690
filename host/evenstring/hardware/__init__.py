"""What a builder needs to know before a board exists: error budget, wiring order, calibration. No I/O."""
