"""Sensors found: what speaks on the serial ports and at a broker, as answers that the owner can take over.

Listening and guessing are those of ``ductwarden listen``; here they are made into sources and sensors of a draft.
"""
