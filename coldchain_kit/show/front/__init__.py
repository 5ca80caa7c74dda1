"""The front page: what a person must know on Monday, in one fixed order, from one code for record, month and preliminary sheet.

page   the front page of an assessment
Front  a finished one: a status and its lines
Line   one line: a label and its sentences
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
