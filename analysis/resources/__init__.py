"""Codebooks, words, cautions, schema and report templates."""
