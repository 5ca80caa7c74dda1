"""Charts of an assessment: views of finished tables, times in the site's zone, words beside every colour."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
