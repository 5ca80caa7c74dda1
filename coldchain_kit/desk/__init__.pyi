from . import jupyter as jupyter
