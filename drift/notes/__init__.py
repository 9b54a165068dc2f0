"""This package serves the commands beside the review, each from a source to files.

``bench``       responses, and checks of fresh readings
``sheets``      visit sheets
``impact``      the note on a failed check
``retirement``  the memo on keeping meters
"""
