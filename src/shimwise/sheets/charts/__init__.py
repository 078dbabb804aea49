"""Test charts that print true: planned for a camera, laid out in millimetres, drawn as vectors."""
