from . import jupyter as jupyter
from .overview import overview as overview
