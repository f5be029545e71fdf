"""English."""

from reconcile.reporting.words.en.conformity import *  # noqa: F403
from reconcile.reporting.words.en.criteria import *  # noqa: F403
from reconcile.reporting.words.en.dossier import *  # noqa: F403
from reconcile.reporting.words.en.faults import *  # noqa: F403
from reconcile.reporting.words.en.figures import *  # noqa: F403
from reconcile.reporting.words.en.forms import *  # noqa: F403
from reconcile.reporting.words.en.further import *  # noqa: F403
from reconcile.reporting.words.en.laboratories import *  # noqa: F403
from reconcile.reporting.words.en.overview import *  # noqa: F403
from reconcile.reporting.words.en.parts import *  # noqa: F403
from reconcile.reporting.words.en.portfolio import *  # noqa: F403
from reconcile.reporting.words.en.quality import *  # noqa: F403
from reconcile.reporting.words.en.registers import *  # noqa: F403
from reconcile.reporting.words.en.report import *  # noqa: F403
from reconcile.reporting.words.en.scores import *  # noqa: F403
from reconcile.reporting.words.en.screen import *  # noqa: F403
from reconcile.reporting.words.en.selection import *  # noqa: F403
from reconcile.reporting.words.en.sentences import *  # noqa: F403
from reconcile.reporting.words.en.sheets import *  # noqa: F403
from reconcile.reporting.words.en.start import *  # noqa: F403
from reconcile.reporting.words.en.tables import *  # noqa: F403
from reconcile.reporting.words.en.volumes import *  # noqa: F403
from reconcile.reporting.words.en.workbook import *  # noqa: F403
