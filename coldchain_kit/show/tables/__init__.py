"""Display tables of an assessment: escaped HTML with captions and units, plain text beside it; and the same as data."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
