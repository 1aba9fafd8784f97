"""How Sphinx builds the documentation site (`make docs`). Nothing is fetched; its pages ask no other host."""

import daq

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
myst_heading_anchors = 3

# A face takes names over from its modules, so that a name has two addresses; links that lead out of this
# folder are for whoever reads the files.
suppress_warnings = ["ref.python", "myst.xref_missing", "misc.highlighting_failure"]

html_theme = "alabaster"
html_theme_options = {"description": daq.__doc__, "fixed_sidebar": True, "show_powered_by": False}
html_show_sphinx = False
html_copy_source = False
