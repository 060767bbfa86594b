//! The `plumbsight` command.

fn main() {}
