"""From a photograph to flat pages: marks, homography, dense warp, what can be seen, or why there is none."""
