"""Decisions with their reasons: frames of results and the policy in, frames of words out."""
