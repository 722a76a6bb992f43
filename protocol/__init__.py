"""The serial layer: link, dialects, profiles, analyzer, sweep runs; learning an unknown analyzer; a simulated one."""
