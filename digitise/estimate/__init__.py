"""From counted points and animals to percent cover and density, each with its interval. Pure functions."""
