"""Office files are zip archives full of clocks; here they get one fixed date, so that equal content is equal bytes."""

from __future__ import annotations

import io
import re
import zipfile

DAY = (1980, 1, 1, 0, 0, 0)
"""The earliest date that a zip archive can hold, used for every part."""


def settle(archive: bytes) -> bytes:
    """Rewrite a docx or xlsx with fixed dates, within its properties too."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(out, "w") as new:
        for item in old.infolist():
            body = old.read(item.filename)
            if item.filename == "docProps/core.xml":
                body = re.sub(
                    rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms:)",
                    rb"\g<1>1980-01-01T00:00:00Z\g<3>",
                    body,
                )
            part = zipfile.ZipInfo(item.filename, DAY)
            part.compress_type = zipfile.ZIP_DEFLATED
            part.external_attr = 0o644 << 16
            new.writestr(part, body, compresslevel=6)
    return out.getvalue()
