//! Pictures cut out of a stream of bytes: a multipart body (RFC 2046, section 5.1), or JPEG pictures one after the other.
//!
//! A picture ends where its own end marker is, or at the next delimiter; stated lengths are not believed, because cameras and phones get them wrong, and only
//! serve to refuse a giant before it arrives. What is between parts is skipped. The memory is bounded by the largest picture.

use crate::capture::jpeg;
use crate::limits::{LONGEST_BOUNDARY_BYTES, LONGEST_PART_HEAD_BYTES, MOST_BYTES_BETWEEN_PICTURES};

/// What came out of the stream.
#[derive(Debug, PartialEq, Eq)]
pub enum Part {
    /// A whole JPEG file.
    Picture(Vec<u8>),
    /// A part that holds none, or half of one.
    Spoiled(String),
}

/// Why a stream cannot be read on.
#[derive(Debug, PartialEq, Eq)]
pub enum Trouble {
    /// The sender closed it in good order.
    Closed,
    /// It is not what it says.
    Broken(String),
}

/// Where the cutter is.
#[derive(Clone, Copy, Debug, PartialEq)]
enum At {
    /// Before a delimiter (or, where there are none, before a picture).
    Between,
    /// In the head of a part.
    Head,
    /// In a part's picture.
    Picture,
}

/// Cuts a stream into pictures.
pub struct Cutter {
    /// `--` and the boundary without its leading dashes; `None` until it is known, or where there is none.
    delimiter: Option<Vec<u8>>,
    largest: usize,
    at: At,
    buffer: Vec<u8>,
    /// Bytes of the buffer that hold no delimiter.
    looked: usize,
    /// Bytes of the buffer that hold no end marker.
    ends_looked: usize,
    skipped: usize,
}

impl Cutter {
    /// A cutter. `boundary` is the parameter of the stream's content type; many senders state it with the dashes of the delimiter, some not at all: then the
    /// first line that begins with two dashes is taken, and pictures without any delimiter are found as well.
    pub fn new(boundary: Option<&str>, largest: usize) -> Self {
        let bare = boundary
            .map(|b| b.trim().trim_matches('"').trim_start_matches('-'))
            .filter(|b| !b.is_empty() && b.len() <= LONGEST_BOUNDARY_BYTES);
        Self {
            delimiter: bare.map(|b| format!("--{b}").into_bytes()),
            largest,
            at: At::Between,
            buffer: Vec::new(),
            looked: 0,
            ends_looked: 0,
            skipped: 0,
        }
    }

    /// Takes more of the stream.
    pub fn take(&mut self, bytes: &[u8]) {
        self.buffer.extend_from_slice(bytes);
    }

    /// Bytes that are held back.
    #[cfg(test)]
    pub fn held(&self) -> usize {
        self.buffer.len()
    }

    /// The next part that is complete; `None`: more of the stream is needed.
    pub fn next(&mut self) -> Result<Option<Part>, Trouble> {
        loop {
            let before = (self.at, self.buffer.len());
            match self.at {
                At::Between => self.between()?,
                At::Head => {
                    if let Some(spoiled) = self.head()? {
                        return Ok(Some(spoiled));
                    }
                }
                At::Picture => {
                    if let Some(part) = self.picture()? {
                        self.skipped = 0;
                        return Ok(Some(part));
                    }
                }
            }
            if before == (self.at, self.buffer.len()) {
                return Ok(None);
            }
        }
    }

    /// Forgets the first bytes of the buffer.
    fn drop_first(&mut self, n: usize) {
        self.buffer.drain(..n.min(self.buffer.len()));
        self.looked = 0;
        self.ends_looked = 0;
    }

    fn between(&mut self) -> Result<(), Trouble> {
        if self.delimiter.is_none() {
            // A boundary that was not stated stands at the beginning of a line.
            let start = self.buffer.iter().position(|b| !b"\r\n".contains(b)).unwrap_or(self.buffer.len());
            let line = &self.buffer[start..];
            if line.starts_with(b"--")
                && let Some(end) = line.iter().position(|b| *b == b'\n')
            {
                let name = line[..end].trim_ascii_end();
                if name.len() > 2 && name.len() <= LONGEST_BOUNDARY_BYTES {
                    self.delimiter = Some(name.to_vec());
                }
            }
        }
        let found = match &self.delimiter {
            Some(delimiter) => find(&self.buffer, delimiter).map(|k| (k, k + delimiter.len())),
            None => None,
        };
        if let Some((begin, end)) = found {
            let Some(line_end) = self.buffer[end..].iter().position(|b| *b == b'\n') else {
                // The closing delimiter need not be followed by a line's end.
                return if self.buffer[end..].starts_with(b"--") { Err(Trouble::Closed) } else { self.bounded(begin) };
            };
            if self.buffer[end..].starts_with(b"--") && self.buffer[end + 2..end + line_end].trim_ascii().is_empty() {
                return Err(Trouble::Closed);
            }
            self.drop_first(end + line_end + 1);
            self.at = At::Head;
            return Ok(());
        }
        if self.delimiter.is_none()
            && let Some(start) = find(&self.buffer, &[0xff, 0xd8, 0xff])
        {
            self.drop_first(start);
            self.at = At::Picture;
            return Ok(());
        }
        // Keep what may be the beginning of a delimiter or of its line.
        let keep = 256;
        let skip = self.buffer.len().saturating_sub(keep);
        if skip > 0 && (self.delimiter.is_some() || !self.buffer.starts_with(b"--")) {
            self.skipped += skip;
            self.drop_first(skip);
        }
        self.bounded(self.buffer.len())
    }

    /// Fails where too much was skipped.
    fn bounded(&self, more: usize) -> Result<(), Trouble> {
        if self.skipped + more > MOST_BYTES_BETWEEN_PICTURES {
            return Err(Trouble::Broken("it sends no pictures between its delimiters".into()));
        }
        Ok(())
    }

    /// Reads a part's head; gives the part where it is no picture to be waited for.
    fn head(&mut self) -> Result<Option<Part>, Trouble> {
        let blank = [find(&self.buffer, b"\r\n\r\n").map(|k| k + 4), find(&self.buffer, b"\n\n").map(|k| k + 2)];
        let mut blank = blank.into_iter().flatten().min();
        // No head at all: the blank line comes first.
        for (empty, n) in [(&b"\r\n"[..], 2), (&b"\n"[..], 1)] {
            if self.buffer.starts_with(empty) {
                blank = Some(n);
            }
        }
        // Some senders leave the blank line out.
        let start = find(&self.buffer, &[0xff, 0xd8, 0xff]);
        let end = match (blank, start) {
            (Some(a), Some(b)) => a.min(b),
            (Some(a), None) => a,
            (None, Some(b)) => b,
            (None, None) if self.buffer.len() > LONGEST_PART_HEAD_BYTES => {
                return Err(Trouble::Broken("the head of a picture does not end".into()));
            }
            (None, None) => return Ok(None),
        };
        let head = String::from_utf8_lossy(&self.buffer[..end.min(LONGEST_PART_HEAD_BYTES)]).into_owned();
        let length = field(&head, "content-length").and_then(|v| v.parse::<u64>().ok());
        if let Some(n) = length.filter(|n| *n > self.largest as u64) {
            return Err(Trouble::Broken(format!("it announces a picture of {n} bytes")));
        }
        self.drop_first(end);
        let kind = field(&head, "content-type").unwrap_or_default().to_ascii_lowercase();
        if !kind.is_empty() && !kind.starts_with("image/") && !kind.starts_with("application/octet-stream") {
            self.at = At::Between;
            let kind: String = kind.chars().take(60).collect();
            return Ok(Some(Part::Spoiled(format!("it is {kind} and no picture"))));
        }
        self.at = At::Picture;
        Ok(None)
    }

    fn picture(&mut self) -> Result<Option<Part>, Trouble> {
        let blank = self.buffer.iter().position(|b| !b.is_ascii_whitespace()).unwrap_or(self.buffer.len());
        if blank > 0 {
            self.drop_first(blank);
        }
        if self.buffer.len() < 3 {
            return Ok(None);
        }
        let delimiter = match &self.delimiter {
            Some(delimiter) => {
                let from = self.looked.saturating_sub(delimiter.len());
                let found = find(&self.buffer[from..], delimiter).map(|k| k + from);
                self.looked = self.buffer.len();
                found
            }
            None => None,
        };
        let until = delimiter.unwrap_or(self.buffer.len());
        if !self.buffer.starts_with(&[0xff, 0xd8, 0xff]) {
            let first: Vec<u8> = self.buffer.iter().copied().take(4).collect();
            // A delimiter of which only the beginning has come must not be lost.
            self.drop_first(delimiter.unwrap_or(0));
            self.at = At::Between;
            return Ok(Some(Part::Spoiled(format!("it is no JPEG picture (it begins with the bytes {first:02x?})"))));
        }
        // The end marker's bytes are looked for first: walking through the picture costs more.
        let from = self.ends_looked.saturating_sub(1).min(until);
        let end = match find(&self.buffer[from..until], &[0xff, 0xd9]) {
            Some(_) => jpeg::end_of(&self.buffer[..until]),
            None => None,
        };
        self.ends_looked = self.buffer.len();
        if let Some(end) = end {
            let picture = self.buffer[..end].to_vec();
            self.drop_first(end);
            self.at = At::Between;
            return Ok(Some(Part::Picture(picture)));
        }
        if delimiter.is_some() {
            self.drop_first(until);
            self.at = At::Between;
            return Ok(Some(Part::Spoiled(format!("it is cut off after {until} bytes"))));
        }
        if self.buffer.len() > self.largest {
            return Err(Trouble::Broken(format!("it sends a picture of more than {} bytes", self.largest)));
        }
        Ok(None)
    }
}

/// Where a pattern begins.
fn find(bytes: &[u8], pattern: &[u8]) -> Option<usize> {
    let (first, rest) = pattern.split_first()?;
    let mut at = 0;
    while let Some(k) = bytes.get(at..)?.iter().position(|b| b == first) {
        if bytes[at + k + 1..].starts_with(rest) {
            return Some(at + k);
        }
        at += k + 1;
    }
    None
}

/// The value of a field of a head; its name is compared without regard to capitals.
pub(super) fn field(head: &str, name: &str) -> Option<String> {
    head.lines().find_map(|line| {
        let (key, value) = line.split_once(':')?;
        key.trim().eq_ignore_ascii_case(name).then(|| value.trim().to_owned())
    })
}

#[cfg(test)]
mod tests;
