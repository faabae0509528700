//! Black-box tests over HTTP; they stand in `blackbox`.
