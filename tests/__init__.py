"""Tests of dryload."""
