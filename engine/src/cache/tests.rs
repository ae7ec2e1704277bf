//! Tests of the cache, on its own files.
