"""Tests of pure statistics."""
