//! Files read whole, but never more than they may hold: the length that the system states is not believed, and only a plain file is opened, because a
//! pipe or a device would never end.

use std::io::Read;
use std::path::Path;

/// Why a file was not read.
#[derive(Debug, thiserror::Error)]
pub enum ReadFault {
    /// The system refuses.
    #[error("it cannot be read ({0})")]
    Io(#[from] std::io::Error),
    /// A folder, a pipe, a device.
    #[error("it is no file but a {0}")]
    NoFile(&'static str),
    /// More bytes than the limit.
    #[error("it has more than {0} bytes, which is too large to be meant")]
    TooLarge(u64),
}

impl ReadFault {
    /// True where there is no such file.
    pub fn is_missing(&self) -> bool {
        matches!(self, Self::Io(e) if e.kind() == std::io::ErrorKind::NotFound)
    }
}

/// The bytes of a plain file of at most `most` bytes.
///
/// # Errors
/// [`ReadFault`].
pub fn read_file(path: &Path, most: u64) -> Result<Vec<u8>, ReadFault> {
    // Looked at before it is opened: opening a pipe waits for a writer.
    let meta = std::fs::metadata(path)?;
    if meta.is_dir() {
        return Err(ReadFault::NoFile("folder"));
    }
    if !meta.is_file() {
        return Err(ReadFault::NoFile("pipe or device"));
    }
    if meta.len() > most {
        return Err(ReadFault::TooLarge(most));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)?.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    // Some files state no length and go on (those of /proc), others grow meanwhile.
    if bytes.len() as u64 > most {
        return Err(ReadFault::TooLarge(most));
    }
    Ok(bytes)
}

/// The same as text.
///
/// # Errors
/// [`ReadFault`]; text that is not UTF-8 is refused as the system would.
pub fn read_text(path: &Path, most: u64) -> Result<String, ReadFault> {
    let not_text = |_| std::io::Error::new(std::io::ErrorKind::InvalidData, "it is not UTF-8 text");
    Ok(String::from_utf8(read_file(path, most)?).map_err(not_text)?)
}
