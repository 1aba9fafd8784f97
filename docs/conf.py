"""How Sphinx builds the documentation site (`make docs`). Nothing is fetched; its pages ask no other host."""

import pkgutil
import sys
from importlib import import_module
from pathlib import Path

# The package beside this folder, also where another one is installed.
sys.path.insert(0, str(Path(__file__).parents[1]))

import daq

# Before autodoc does, which pretends to a type checker while it imports; fastapi does not stand that.
for module in pkgutil.walk_packages(daq.__path__, "daq."):
    if not module.name.endswith(".__main__"):
        import_module(module.name)

project = "lyewatch"
author = "lyewatch contributors"
release = version = daq.__version__
language = "en"

extensions = ["myst_parser", "sphinx.ext.apidoc", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["api/modules.rst"]
apidoc_modules = [
    {
        "path": "../daq",
        "destination": "api",
        "exclude_patterns": ["../daq/__main__.py", "../daq/_built", "../daq/_pages"],
        "include_private": True,
        "separate_modules": True,
        "module_first": True,
    }
]
autodoc_default_options = {
    "members": True,
    # What a package takes over from its modules is described there, once.
    "ignore-module-all": True,
    "show-inheritance": True,
}
autodoc_member_order = "bysource"
autodoc_typehints = "description"
autodoc_typehints_description_target = "documented"
napoleon_google_docstring = False
napoleon_use_rtype = False
# A class' attributes are told in its docstring and annotated in its body: two entries of one name otherwise.
napoleon_use_ivar = True
myst_heading_anchors = 3

# A face takes names over from its modules, so that a name has two addresses; links that lead out of this
# folder are for whoever reads the files. A docstring's references stand at its end, cited in it or not.
suppress_warnings = ["ref.python", "ref.footnote", "myst.xref_missing", "misc.highlighting_failure"]

html_theme = "alabaster"
html_theme_options = {"description": daq.__doc__, "fixed_sidebar": True, "show_powered_by": False}
html_show_sphinx = False
html_copy_source = False
