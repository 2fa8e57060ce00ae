//! The thin binary: parse, call, print the error, exit code.

fn main() {}
