//! Elementary functions with the same bits on every machine (in work).
