//! Undoes the chunked transfer coding (RFC 9112, section 7.1).

use crate::limits::LONGEST_CHUNK_LINE_BYTES;

/// Where a stream of chunks is.
#[derive(Debug, Default)]
pub struct Chunks {
    /// Bytes of the current chunk that are still to come.
    left: u64,
    /// The line that is being read.
    line: Vec<u8>,
    /// The line's end behind a chunk is still to come.
    after: bool,
    over: bool,
}

impl Chunks {
    /// Appends the plain bytes to `out`; `true` once the last chunk was read. An error says what is wrong.
    pub fn undo(&mut self, mut bytes: &[u8], out: &mut Vec<u8>) -> Result<bool, String> {
        while !bytes.is_empty() && !self.over {
            if self.left > 0 {
                let n = bytes.len().min(usize::try_from(self.left).unwrap_or(usize::MAX));
                out.extend_from_slice(&bytes[..n]);
                bytes = &bytes[n..];
                self.left -= n as u64;
                self.after = self.left == 0;
                continue;
            }
            let byte = bytes[0];
            bytes = &bytes[1..];
            if byte != b'\n' {
                self.line.push(byte);
                if self.line.len() > LONGEST_CHUNK_LINE_BYTES {
                    return Err("the line before a chunk of its answer does not end".into());
                }
                continue;
            }
            let line = std::mem::take(&mut self.line);
            let line = line.trim_ascii();
            if std::mem::take(&mut self.after) {
                if !line.is_empty() {
                    return Err("a chunk of its answer is longer than it says".into());
                }
                continue;
            }
            let size = line.split(|b| *b == b';').next().unwrap_or(line).trim_ascii();
            let size = std::str::from_utf8(size).ok().and_then(|s| u64::from_str_radix(s, 16).ok());
            self.left = size.ok_or("a chunk of its answer does not say its length")?;
            self.over = self.left == 0;
        }
        Ok(self.over)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All of a coded text, in pieces of every size; the same must come out.
    fn undone(coded: &[u8]) -> Result<(String, bool), String> {
        let mut all: Option<Result<(String, bool), String>> = None;
        for piece in 1..=coded.len() {
            let mut chunks = Chunks::default();
            let mut out = Vec::new();
            let mut over = Ok(false);
            for bytes in coded.chunks(piece) {
                over = chunks.undo(bytes, &mut out);
                if over.is_err() {
                    break;
                }
            }
            let got = over.map(|over| (String::from_utf8(out).unwrap(), over));
            if let Some(all) = &all {
                assert_eq!(*all, got, "in pieces of {piece}");
            }
            all = Some(got);
        }
        all.unwrap()
    }

    #[test]
    fn chunks_are_put_together() {
        // The coding of RFC 9112, section 7.1: length in hexadecimal, extension, line's end, bytes, line's end; a zero at the end.
        assert_eq!(
            undone(b"4\r\nwiki\r\n5;a=b\r\npedia\r\nE\r\n in\r\n\r\nchunks.\r\n0\r\n\r\n").unwrap(),
            ("wikipedia in\r\n\r\nchunks.".into(), true)
        );
        assert_eq!(undone(b"3\r\nabc\r\n").unwrap(), ("abc".into(), false));
    }

    #[test]
    fn wrong_chunks_are_refused() {
        assert!(undone(b"3\r\nabcd\r\n").is_err());
        assert!(undone(b"x\r\nabc").is_err());
        assert!(undone(b"fffffffffffffffff\r\n").is_err());
        assert!(undone(&[b'1'; 2000]).is_err());
    }
}
