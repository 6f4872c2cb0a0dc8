"""Tests of the proof of a memory."""
