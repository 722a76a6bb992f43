"""Sans-I/O dialects: a request becomes bytes, bytes become replies. No port and no clock in here."""
