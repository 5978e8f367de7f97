"""From a frozen comparison to files: tables, figures, page, document. No statistics."""
