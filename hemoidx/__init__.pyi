from . import simulate as simulate
from .analysis import Analysis as Analysis
from .analysis import analyse as analyse
from .context import Context as Context
from .context import Edits as Edits
from .errors import DataUnavailableError as DataUnavailableError
from .errors import HemoidxError as HemoidxError
from .errors import InputError as InputError
from .errors import UnitError as UnitError
from .facts import Fact as Fact
from .indices import default_catalogue as default_catalogue
from .indices.catalogue import Catalogue as Catalogue
from .indices.compute import compute as compute
from .indices.exposure.entries import exposure_index as exposure_index
from .indices.index import Index as Index
from .indices.index import Mark as Mark
from .indices.rules import Limit as Limit
from .indices.rules import Rule as Rule
from .indices.rules import When as When
from .recordings import crop as crop
from .recordings import load as load
from .tables import has_fact as has_fact
from .tables import read_table as read_table

__version__: str
