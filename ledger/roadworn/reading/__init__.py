"""What a person types or pastes, read into payloads; nothing is guessed.

Pure functions from text. What cannot be read raises `UsageError` with what to type instead.
"""
