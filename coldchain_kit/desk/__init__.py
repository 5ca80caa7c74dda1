"""Desk: where people sit. JupyterLab on a site of their own, and what waits there.

jupyter   opens JupyterLab on a folder
overview  what waits: units, cases, records, training
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
