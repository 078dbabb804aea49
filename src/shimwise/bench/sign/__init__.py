"""Sign a prep, print its papers, verify them."""
