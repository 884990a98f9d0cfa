//! Checks a book, a sealed record or a dump against the written format; needs no server and no trust in it.
