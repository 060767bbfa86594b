//! One photograph or live picture with the tags that were found in it, and whose tags they are.

use crate::body::Kit;
use crate::capture::read_image;
use crate::raster::Gray;
use crate::record::Job;
use crate::tags::{DetectOptions, Detection, detect};

/// A tag in a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct SeenTag {
    /// Its id.
    pub id: u16,
    /// The body that carries it; `None` where the job knows none.
    pub body: Option<String>,
    /// Its corners, px: lower left, lower right, upper right, upper left of the upright print.
    pub corners: [[f32; 2]; 4],
}

/// A picture with what was found in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// Its name.
    pub name: String,
    /// The picture.
    pub gray: Gray,
    /// The tags.
    pub tags: Vec<SeenTag>,
}

impl Seen {
    /// The names of the bodies that are in it, each once, in order.
    pub fn bodies(&self) -> Vec<&str> {
        let mut out: Vec<&str> = self.tags.iter().filter_map(|t| t.body.as_deref()).collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    /// Tags that belong to nothing in the job.
    pub fn strangers(&self) -> usize {
        self.tags.iter().filter(|t| t.body.is_none()).count()
    }
}

/// Tags with the bodies that carry them.
pub fn owned(detections: &[Detection], kit: &Kit) -> Vec<SeenTag> {
    detections
        .iter()
        .map(|d| SeenTag {
            id: d.id,
            body: kit.find_tag(d.id).map(|(body, _)| kit.bodies[body].name.clone()),
            corners: d.corners.map(|c| [c.x as f32, c.y as f32]),
        })
        .collect()
}

/// Reads a photograph of the job (an index into its list) and finds its tags; an error says why it cannot be shown.
pub fn see(job: &Job, photo: usize) -> Result<Seen, String> {
    let photo = job.photos.get(photo).ok_or("the job has no such photograph")?;
    let picture = read_image(&photo.path).map_err(|e| e.to_string())?;
    let profile = &job.lenses[photo.lens];
    // A picture of another size than the profile's is shown without its lens.
    let fits = (picture.gray.width(), picture.gray.height()) == (profile.lens.width, profile.lens.height);
    let options =
        DetectOptions { lens: fits.then_some(profile.lens), tone: profile.tone.clone(), ..DetectOptions::default() };
    let tags = owned(&detect(&picture.gray, &options), &job.kit);
    Ok(Seen { name: photo.name.clone(), gray: picture.gray, tags })
}
