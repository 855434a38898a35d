"""Pictures by matplotlib, a module each. Figures are returned; the caller saves them under `style.STYLE`.

Readable without colour: versions differ in line, marker and hatching, and are named at their ends. Matplotlib
takes half a second to import, so only drawing imports it.
"""
