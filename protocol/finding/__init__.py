"""What an analyzer takes, found by asking at opening: small harmless questions, each answer read back.

Enters: the analyzer. Knows the words of the standard, not its user.
"""
