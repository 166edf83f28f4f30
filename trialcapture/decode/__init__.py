"""Bytes to typed Arrow tables, and rejects with reasons; pure."""
