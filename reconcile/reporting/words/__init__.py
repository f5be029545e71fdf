"""Every string that a reader of the report, the workbook, the page or a form sees.

One folder holds one language: a translation is a copy of ``en`` with other words and the
same names, places in braces kept, and its line here.
"""

from reconcile.reporting.words.en import *  # noqa: F403
