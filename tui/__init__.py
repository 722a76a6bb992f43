"""Screens, widgets and the command line. Shows; computes nothing."""
