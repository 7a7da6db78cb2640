"""From many files to many readings: what is in them, on every core or a cluster, whatever is interrupted."""
