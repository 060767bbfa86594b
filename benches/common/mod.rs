//! What several benches need: their arguments.

/// A bench stops with a sentence.
pub type Failure = Box<dyn std::error::Error>;

/// Goes through the arguments. `take` gets each one and a way to ask for the value that follows it.
pub fn each_argument(
    mut take: impl FnMut(&str, &mut dyn FnMut() -> Result<String, Failure>) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        // `cargo bench` hands `--bench` over.
        if argument != "--bench" {
            take(&argument, &mut || arguments.next().ok_or_else(|| format!("{argument} wants a value").into()))?;
        }
    }
    Ok(())
}
