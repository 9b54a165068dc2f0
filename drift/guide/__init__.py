"""How a task is done, and what a word, a number or a page means.

Entrance: `texts.topics`, `texts.topic`.  The texts are the Markdown files beside this one.
Rests on nothing but the ground.
"""
