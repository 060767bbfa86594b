//! The cutter on well-made and badly made streams, each in pieces of many sizes: what comes out must not depend on how the network cut it.

use super::*;

const LARGEST: usize = 1 << 20;

/// A small JPEG file; `k` makes them differ in length and content.
fn jpeg(k: usize) -> Vec<u8> {
    let (w, h) = (24 + 8 * k, 16);
    let values: Vec<u8> = (0..w * h).map(|i| (i * (7 + k) % 251) as u8).collect();
    let mut out = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 90)
        .encode(&values, w as u32, h as u32, image::ExtendedColorType::L8)
        .unwrap();
    out
}

fn cut(stream: &[u8], boundary: Option<&str>, piece: usize) -> (Vec<Part>, Option<Trouble>) {
    let mut cutter = Cutter::new(boundary, LARGEST);
    let mut out = Vec::new();
    for bytes in stream.chunks(piece) {
        cutter.take(bytes);
        loop {
            match cutter.next() {
                Ok(Some(part)) => out.push(part),
                Ok(None) => break,
                Err(trouble) => return (out, Some(trouble)),
            }
        }
    }
    (out, None)
}

/// Cuts in pieces of all kinds of sizes and fails where the results differ.
#[track_caller]
fn all_ways(stream: &[u8], boundary: Option<&str>) -> (Vec<Part>, Option<Trouble>) {
    let whole = cut(stream, boundary, stream.len());
    for piece in [1, 2, 3, 7, 64, 501, 1500, 4096] {
        assert_eq!(cut(stream, boundary, piece), whole, "in pieces of {piece}");
    }
    whole
}

fn part(head: &str, body: &[u8]) -> Vec<u8> {
    [format!("--frame\r\n{head}\r\n").as_bytes(), body, b"\r\n"].concat()
}

fn pictures(numbers: &[usize]) -> Vec<Part> {
    numbers.iter().map(|k| Part::Picture(jpeg(*k))).collect()
}

#[test]
fn a_well_made_stream() {
    // The form of RFC 2046, section 5.1.1: a preamble that is skipped, delimiters, heads, bodies, the closing delimiter.
    let mut stream = b"This is a preamble.\r\n".to_vec();
    for k in 0..4 {
        stream.extend(part(&format!("Content-Type: image/jpeg\r\nContent-Length: {}\r\n", jpeg(k).len()), &jpeg(k)));
    }
    stream.extend(b"--frame--\r\nepilogue");
    assert_eq!(all_ways(&stream, Some("frame")), (pictures(&[0, 1, 2, 3]), Some(Trouble::Closed)));
}

#[test]
fn the_boundary_as_senders_state_it() {
    let stream: Vec<u8> = (0..3).flat_map(|k| part("Content-Type: image/jpeg\r\n", &jpeg(k))).collect();
    for stated in [Some("frame"), Some("--frame"), Some("\"frame\""), Some("\"--frame\""), Some(""), None] {
        assert_eq!(all_ways(&stream, stated).0, pictures(&[0, 1, 2]), "{stated:?}");
    }
}

#[test]
fn a_picture_is_given_before_the_next_delimiter_comes() {
    let mut stream = part("Content-Type: image/jpeg\r\n", &jpeg(2));
    stream.truncate(stream.len() - 2);
    assert_eq!(all_ways(&stream, Some("frame")).0, pictures(&[2]));
}

#[test]
fn wrong_lengths_do_no_harm() {
    let right = jpeg(1).len();
    for length in [0, 1, right - 100, right + 1, right + 100, 3 * right, 900_000] {
        let stream: Vec<u8> = (0..3)
            .flat_map(|k| part(&format!("Content-Type: image/jpeg\r\nContent-Length: {length}\r\n"), &jpeg(k)))
            .collect();
        assert_eq!(all_ways(&stream, Some("frame")).0, pictures(&[0, 1, 2]), "{length} instead of {right}");
    }
    for length in ["-5", "many", "99999999999999999999999"] {
        let stream = part(&format!("Content-Length: {length}\r\n"), &jpeg(1));
        assert_eq!(all_ways(&stream, Some("frame")).0, pictures(&[1]), "{length}");
    }
}

#[test]
fn giants_are_refused_before_they_arrive_and_while_they_do() {
    let stream = part("Content-Length: 2000000\r\n", &jpeg(1));
    assert!(matches!(all_ways(&stream, Some("frame")).1, Some(Trouble::Broken(why)) if why.contains("2000000")));
    // A picture that never ends.
    let mut endless = part("", &jpeg(1)[..200]);
    endless.extend(vec![0x55; 2 * LARGEST]);
    let mut cutter = Cutter::new(Some("frame"), LARGEST);
    let mut trouble = None;
    for bytes in endless.chunks(10_000) {
        cutter.take(bytes);
        if let Err(t) = cutter.next() {
            trouble = Some(t);
            break;
        }
        assert!(cutter.held() <= LARGEST + 10_000, "{}", cutter.held());
    }
    assert!(matches!(trouble, Some(Trouble::Broken(_))), "{trouble:?}");
}

#[test]
fn rubbish_between_parts_is_skipped_but_not_for_ever() {
    let mut stream = part("", &jpeg(0));
    stream.extend(vec![b'x'; 5000]);
    stream.extend(b"\r\n");
    stream.extend(part("", &jpeg(1)));
    assert_eq!(all_ways(&stream, Some("frame")).0, pictures(&[0, 1]));
    let rubbish = vec![b'x'; 3 * MOST_BYTES_BETWEEN_PICTURES];
    let mut cutter = Cutter::new(Some("frame"), LARGEST);
    let refused = rubbish.chunks(50_000).any(|bytes| {
        cutter.take(bytes);
        assert!(cutter.held() < 100_000);
        cutter.next().is_err()
    });
    assert!(refused);
}

#[test]
fn a_cut_picture_costs_itself_only() {
    let mut stream = part("", &jpeg(0));
    let half = jpeg(1);
    stream.extend(part("Content-Type: image/jpeg\r\n", &half[..half.len() / 2]));
    stream.extend(part("Content-Type: text/plain\r\n", b"the lens is dirty"));
    stream.extend(part("Content-Type: image/jpeg\r\n", b"the lens is dirty"));
    stream.extend(part("Content-Type: image/jpeg\r\n", &jpeg(2)));
    let (parts, trouble) = cut(&stream, Some("frame"), stream.len());
    assert_eq!(trouble, None);
    let words: Vec<&str> = parts
        .iter()
        .map(|p| match p {
            Part::Picture(bytes) if *bytes == jpeg(0) => "first",
            Part::Picture(bytes) if *bytes == jpeg(2) => "last",
            Part::Spoiled(why) if why.contains("cut off") => "cut",
            Part::Spoiled(why) if why.contains("text/plain") => "text",
            Part::Spoiled(why) if why.contains("no JPEG") => "no JPEG",
            _ => "wrong",
        })
        .collect();
    assert_eq!(words, ["first", "cut", "text", "no JPEG", "last"]);
    // In pieces the pictures are the same; how a piece of text is described may differ.
    for piece in [1, 3, 64, 501] {
        let (parts, _) = cut(&stream, Some("frame"), piece);
        let whole: Vec<&Part> = parts.iter().filter(|p| matches!(p, Part::Picture(_))).collect();
        assert_eq!(whole, [&Part::Picture(jpeg(0)), &Part::Picture(jpeg(2))], "in pieces of {piece}");
    }
}

#[test]
fn streams_without_delimiters_or_blank_lines() {
    let bare: Vec<u8> = (0..3).flat_map(jpeg).collect();
    assert_eq!(all_ways(&bare, None).0, pictures(&[0, 1, 2]));
    // A head without the blank line behind it, line ends without a carriage return, no head at all.
    for between in [
        "--frame\r\nContent-Type: image/jpeg\r\n",
        "--frame\nContent-Type: image/jpeg\n\n",
        "--frame\n\n",
        "--frame\r\n",
    ] {
        let stream: Vec<u8> = (0..3).flat_map(|k| [between.as_bytes(), &jpeg(k), b"\n"].concat()).collect();
        assert_eq!(all_ways(&stream, Some("frame")).0, pictures(&[0, 1, 2]), "{between:?}");
    }
}

#[test]
fn a_thumbnail_is_not_the_end() {
    // An APP1 segment that holds a JPEG of its own, as cameras write.
    let (outer, inner) = (jpeg(3), jpeg(0));
    let length = (inner.len() + 2) as u16;
    let with = [&outer[..2], &[0xff, 0xe1], &length.to_be_bytes(), &inner[..], &outer[2..]].concat();
    let stream = [part("", &with), part("", &jpeg(1))].concat();
    assert_eq!(all_ways(&stream, Some("frame")).0, [Part::Picture(with), Part::Picture(jpeg(1))]);
}

#[test]
fn damaged_streams_never_hang_or_grow() {
    // Seeded damage: bytes changed, cut out, doubled. Whatever comes out, every step ends, little is held, and nothing panics.
    use rand_chacha::rand_core::{Rng, SeedableRng};
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    let mut pick = |n: usize| (rng.next_u64() % n as u64) as usize;
    let sound: Vec<u8> = (0..3)
        .flat_map(|k| part(&format!("Content-Type: image/jpeg\r\nContent-Length: {}\r\n", jpeg(k).len()), &jpeg(k)))
        .collect();
    let (mut pictures, mut spoiled) = (0, 0);
    for round in 0..3000 {
        let mut stream = sound.clone();
        for _ in 0..1 + pick(4) {
            let (at, n) = (pick(stream.len()), 1 + pick(40));
            let end = (at + n).min(stream.len());
            match pick(3) {
                0 => stream[at..end].fill_with(|| pick(256) as u8),
                1 => drop(stream.drain(at..end)),
                _ => {
                    let again = stream[at..end].to_vec();
                    drop(stream.splice(at..at, again));
                }
            }
        }
        let boundary = [Some("frame"), None, Some("other")][round % 3];
        let mut cutter = Cutter::new(boundary, LARGEST);
        'stream: for bytes in stream.chunks(1 + pick(700)) {
            cutter.take(bytes);
            assert!(cutter.held() <= stream.len());
            for step in 0.. {
                assert!(step < 100, "round {round} does not end");
                match cutter.next() {
                    Ok(Some(Part::Picture(bytes))) => {
                        pictures += 1;
                        // The decoder may refuse it, and must do so in good order.
                        let _ = crate::capture::decode(&bytes);
                    }
                    Ok(Some(Part::Spoiled(_))) => spoiled += 1,
                    Ok(None) => break,
                    Err(_) => break 'stream,
                }
            }
        }
    }
    // The damage was neither so slight nor so heavy that nothing was tested.
    assert!(pictures > 2000 && spoiled > 100, "{pictures} pictures, {spoiled} spoiled");
}
