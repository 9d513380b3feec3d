"""Another version of the firmware, for updates."""

from steadyram.install.package import Package, build, firmware_sources


def newer(text: str = "", version: str = "9.9.9") -> Package:
    """Return the firmware for an RP2040 as another version; `text` comes first in its application."""
    sources = firmware_sources()
    sources["steadyram_fw/version.py"] = f'VERSION = "{version}"\n'
    path = "steadyram_fw/app.py"
    head, _, rest = sources[path].partition("import gc\n")
    sources[path] = head + "import gc\n" + text + rest
    return build("armv6m", sources)
