"""What is said of vehicles: events and their kinds, parts and places, units and money, errors.

Pure values and their rules of spelling; nothing here opens a file of the user's.
"""
