"""Numbers only: numpy arrays in, frozen dataclasses out. No I/O, no clock, no asyncio, no logging."""
