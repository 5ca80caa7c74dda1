"""Forms: questions and answers. Boxes while the case is open, tables of what was entered in a frozen record.

before_anything_else  is the stock marked?
found                 how was it found?
given                 doses given meanwhile
five_whys             why, and why that?
cause_groups          what played a part?
root_cause            the root cause
classification        class and risk
conclusion            the conclusion
told                  who was told
counts                quantities of each lot
unit_state            mapping of the unit
kept                  how long it is kept
monitors              vial monitors
set_aside             readings set aside
text                  the wording of a paragraph
decisions             a decision on each lot
replies               manufacturers' replies
actions               what will be done
trail                 every entry
both_results          with and without the readings set aside
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
