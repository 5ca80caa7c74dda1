"""Training: reading traces. Exercises on fresh traces with their truth, marked with reasons, kept in a chain.

Exercise   a trace, a question, choices of which some are right
Choice     one answer with what it is told
LESSONS    lesson number -> its kinds of exercise
exercise   the exercise of a lesson, kind and seed
mark       answers against the truth
Marked     what came of it
traces     traces with their truth
record     training.jsonl: who did what, when, how surely
example    a worked example
lesson     a lesson on the screen, and without answers in a frozen run
live       a trace that answers to sliders
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
