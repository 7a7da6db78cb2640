"""What a programme's own decided cells are good for: measuring the reader, its thresholds, and learning its hands."""
