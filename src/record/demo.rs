//! The shipped demonstration bay: an invented scenario with made photographs, carried inside the program.

use crate::record::problem::Problem;
use crate::record::template::make_folder;
use crate::record::write::write_atomically;
use std::path::Path;

macro_rules! shipped {
    ($name:literal) => {
        ($name, include_bytes!(concat!("../../fixtures/bay-a/", $name)))
    };
}

/// The files of the demonstration job.
const FILES: [(&str, &[u8]); 34] = [
    shipped!("job.toml"),
    shipped!("bodies.toml"),
    shipped!("placement.toml"),
    shipped!("lens.toml"),
    shipped!("photos/001.jpg"),
    shipped!("photos/002.jpg"),
    shipped!("photos/003.jpg"),
    shipped!("photos/004.jpg"),
    shipped!("photos/005.jpg"),
    shipped!("photos/006.jpg"),
    shipped!("photos/007.jpg"),
    shipped!("photos/008.jpg"),
    shipped!("photos/009.jpg"),
    shipped!("photos/010.jpg"),
    shipped!("photos/011.jpg"),
    shipped!("photos/012.jpg"),
    shipped!("photos/013.jpg"),
    shipped!("photos/014.jpg"),
    shipped!("photos/015.jpg"),
    shipped!("photos/016.jpg"),
    shipped!("photos/017.jpg"),
    shipped!("photos/018.jpg"),
    shipped!("photos/019.jpg"),
    shipped!("photos/020.jpg"),
    shipped!("photos/021.jpg"),
    shipped!("photos/022.jpg"),
    shipped!("photos/023.jpg"),
    shipped!("photos/024.jpg"),
    shipped!("photos/025.jpg"),
    shipped!("photos/026.jpg"),
    shipped!("photos/027.jpg"),
    shipped!("photos/028.jpg"),
    shipped!("photos/029.jpg"),
    shipped!("photos/030.jpg"),
];

/// Writes the demonstration job into a folder. Files that are there already stay if they are the same; a changed one is refused,
/// so that nobody's work is overwritten.
pub fn unpack_demo(folder: &Path) -> Result<(), Problem> {
    make_folder(&folder.join("photos"))?;
    for (name, content) in FILES {
        let path = folder.join(name);
        match std::fs::read(&path) {
            Ok(there) if there == content => {}
            Ok(_) => {
                return Err(Problem::of_file(
                    path.display().to_string(),
                    "it is there already and is not the demonstration's own",
                    "Give another folder with --into, or run `plumbsight check` on this one.",
                ));
            }
            Err(_) => write_atomically(&path, content)?,
        }
    }
    Ok(())
}
