"""From a flat page to readings: a value for every cell, its probability, alternatives, and why a person must look."""
