//! Every size that is too large to be meant, in one place. What is larger is refused by name before memory is taken for it.
//!
//! All values are common practice, without a source, unless a line says otherwise: far above what a bay needs, far below what a workshop's computer lacks.
//! The rate of a stream has no limit of its own: only its newest picture is kept (a slow reader skips the others), so that a fast camera costs neither memory nor delay. Times of a network camera are in `capture::http::HttpLimits`, because tests and callers set others.

/// The largest image that is read, in pixels (100 megapixels: above any current phone).
pub const LARGEST_IMAGE_PIXELS: u64 = 100_000_000;

/// The longest side of an image that is read, in pixels: the largest that a JPEG can have, and the detector's fit counts pixels in 16 bits.
pub const LONGEST_SIDE_PIXELS: u64 = 65_535;

/// The largest image file that is read, in bytes: an uncompressed 16-bit image of the largest size fits.
pub const LARGEST_IMAGE_BYTES: u64 = 800_000_000;

/// The largest file of a photograph that a report shows, bytes; of a larger one it says so.
pub const LARGEST_REPORTED_BYTES: u64 = 200_000_000;

/// The largest picture of a network stream, bytes. A byte for each pixel of the largest image would be far more than a JPEG needs; a quarter of it already is.
pub const LARGEST_STREAM_PICTURE_BYTES: usize = (LARGEST_IMAGE_PIXELS / 4) as usize;

/// Longest head of a network camera's answer, bytes.
pub const LONGEST_ANSWER_HEAD_BYTES: usize = 16 << 10;

/// Longest head of a part of its stream, bytes.
pub const LONGEST_PART_HEAD_BYTES: usize = 8 << 10;

/// Longest boundary between the parts, bytes (RFC 2046 allows 70).
pub const LONGEST_BOUNDARY_BYTES: usize = 200;

/// Longest line that announces a chunk, bytes; extensions included.
pub const LONGEST_CHUNK_LINE_BYTES: usize = 1 << 10;

/// What may stand between two pictures of a stream, bytes; more is no stream of pictures.
pub const MOST_BYTES_BETWEEN_PICTURES: usize = 1 << 20;

/// Redirects that are followed, all on the host that was typed.
pub const MOST_REDIRECTS: u32 = 3;

/// Folders within folders that are looked into, for records, pictures and changed files: cameras number theirs, shops keep theirs by year and month.
pub const DEEPEST_FOLDERS: usize = 4;

/// Photographs of one job. A thorough job has 30, the survey was tried with 500, and each costs about a second of searching.
pub const MOST_PHOTOGRAPHS: usize = 2_000;

/// Tags in one photograph that are used. A family has 587, a photograph of a full bay shows 60; a wall of the same tags would cost the survey hours.
pub const MOST_TAGS_PER_PHOTOGRAPH: usize = 1_000;

/// The largest TOML file, bytes: a file that a person writes.
pub const LARGEST_WRITTEN_BYTES: u64 = 4_000_000;

/// The largest JSON file that this program wrote, bytes: hundreds of photographs give a few megabytes.
pub const LARGEST_RESULT_BYTES: u64 = 200_000_000;

/// The largest covariance of a learned body, bytes.
pub const LARGEST_PLACES_BYTES: u64 = 50_000_000;

/// The largest log of a hold watch, bytes: a line is written only where something changes.
pub const LARGEST_LOG_BYTES: u64 = 200_000_000;

/// The largest file of a camera's place on its stand, bytes: a whole one has about two thousand.
pub const LARGEST_RIG_BYTES: u64 = 64 << 10;

/// The largest key or signature, bytes.
pub const LARGEST_KEY_BYTES: u64 = 10_000;

/// Levels of lists and tables in JSON; deeper is refused by the reader itself (`serde_json`'s own limit, which a test holds it to).
pub const DEEPEST_JSON: usize = 128;
