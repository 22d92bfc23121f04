"""What is left out of the packages: nothing that the way from a log to its report can reach.

Patterns are those of `fnmatch`, against names inside a package's archive. A module that something
kept imports at its start must not be named here: the tests work sessions out with what is left.
"""

from __future__ import annotations

import io
import re
import zipfile
from fnmatch import translate

__all__ = ["LICENCES", "trimmed"]

#: Of every package: tests, headers, sources of extensions, types for editors.
_EVERYWHERE = (
    "*/tests/*",
    "*.pyi",
    "*.pxd",
    "*.pyx",
    "*.h",
    "*.hpp",
    "*.c",
    "*.f",
    "*.pc",
    "*.a",
    "*.typed",
    "*/RECORD",
    "*/direct_url.json",
    "*/entry_points.txt",
)
_LEFT_OUT = {
    "numpy": ("numpy/distutils/*", "numpy/_pyinstaller/*"),
    "scipy": (
        "scipy/cluster/*",
        "scipy/datasets/*",
        "scipy/fftpack/*",
        "scipy/interpolate/*",
        "scipy/io/*",
        "scipy/misc/*",
        "scipy/odr/*",
        "scipy/signal/*",
        "scipy/stats/*",
    ),
    "pandas": ("pandas/pyproject.toml",),
    "pytz": ("pytz/zoneinfo/*",),
    "python-dateutil": ("dateutil/zoneinfo/*.tar.gz",),
    "pillow": (
        "PIL/_imagingcms*",
        "PIL/_imagingft*",
        "PIL/_imagingmath*",
        "PIL/_imagingmorph*",
        "PIL/_imagingtk*",
        "PIL/_webp*",
    ),
    "matplotlib": (
        "matplotlib/backends/backend_[!ams]*",
        "matplotlib/backends/backend_macosx*",
        "matplotlib/backends/qt*",
        "matplotlib/backends/_backend_tk*",
        "matplotlib/backends/_tkagg*",
        "matplotlib/backends/web_backend/*",
        "matplotlib/mpl-data/fonts/afm/*",
        "matplotlib/mpl-data/fonts/pdfcorefonts/*",
        "matplotlib/mpl-data/fonts/ttf/[!D]*",
        "matplotlib/mpl-data/fonts/ttf/DejaVuSansMono*",
        "matplotlib/mpl-data/fonts/ttf/DejaVuSansDisplay*",
        "matplotlib/mpl-data/fonts/ttf/DejaVuSerif*",
        "matplotlib/mpl-data/fonts/ttf/*Oblique*",
        "matplotlib/mpl-data/images/*",
        "matplotlib/mpl-data/plot_directive/*",
        "matplotlib/mpl-data/sample_data/*",
        "matplotlib/mpl-data/stylelib/*",
        "matplotlib/sphinxext/*",
        "matplotlib/testing/*",
        "mpl_toolkits/axes_grid1/*",
        "mpl_toolkits/axisartist/*",
        "pylab.py",
    ),
}
#: Files of a package that state its licence.
LICENCES = re.compile(r"(^|/)(LICEN[CS]E|COPYING|NOTICE|AUTHORS)[^/]*$", re.IGNORECASE)


def trimmed(name: str, archive: bytes) -> dict[str, bytes]:
    """Return the files of a package without what nothing here needs.

    Parameters
    ----------
    name : str
        Of the package, as the release spells it.
    archive : bytes
        Its wheel or zip, already checked.

    Returns
    -------
    dict of str to bytes
        By their place in the package; licences are always kept.
    """
    patterns = (*_EVERYWHERE, *_LEFT_OUT.get(name, ()))
    out = re.compile("|".join(translate(pattern) for pattern in patterns))
    with zipfile.ZipFile(io.BytesIO(archive)) as file:
        return {
            inner: file.read(inner)
            for inner in sorted(file.namelist())
            if not inner.endswith("/") and (LICENCES.search(inner) or not out.match(inner))
        }
