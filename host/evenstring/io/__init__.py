"""Recordings, tables and exports: bytes and files in, bytes and files out."""
