"""Lots: which lots, what did each receive, what of its allowances is used, and why does it ask for a decision?

assess   every lot of a case
earlier  an earlier case's rows of the same lots
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
