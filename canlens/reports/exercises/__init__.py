"""Exercises: a session of prompting as a sheet to print, a sheet for the recorder, and a page that counts down."""
