"""Show: words, charts, tables and sheets. Nothing is computed here that a number rests on.

doubts          what people wrote that does not fit
wording         figures and instants as words
charts          charts of an assessment
tables          tables of an assessment
Table           one kind of table for screen, page and text
Tables          several
Prose           a paragraph
narrative       text proposed from the numbers
front           the front page
open_questions  what nobody has answered yet
preliminary     the sheet to print before any freeze
enquiry         the sheets to manufacturers
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
