"""Looking at a result folder: the record the viewer reads, recolouring, cuts, the window."""
