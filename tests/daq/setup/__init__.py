"""Tests of the room that finds instruments and writes files."""
