from .declared import DECLARED as DECLARED
from .declared import ORDER as ORDER
from .declared import UNDETERMINED as UNDETERMINED
from .weighing import CEILING as CEILING
from .weighing import case as case
from .weighing import fit_course as fit_course
from .weighing import part as part
from .weighing import weigh as weigh
