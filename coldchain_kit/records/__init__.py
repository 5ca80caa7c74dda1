"""Records: a case or a month frozen, checked, signed, executed again. A stranger can follow each step.

investigate   freeze a case
monthly       freeze a month
review        freeze a review
handover      one zip to hand over
context       what a page takes from outside its inputs; what a revision changed
fleet         the month of every unit of one or more sites
verification  does a record differ from what was frozen?
rerunning     a record executed again, every number compared
sshsig        detached signatures in the form that ssh-keygen checks
signing       one more signature line
stamps        time stamps by RFC 3161: asked for, taken back, checked
ledger        the line of records in a folder
selfcheck     published cases on this installation
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
