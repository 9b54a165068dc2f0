"""Benchmarks of the main job, printed and never asserted."""
