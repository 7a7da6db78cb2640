"""From pages to surveys: what belongs together, what was planned, and where every survey stands."""
