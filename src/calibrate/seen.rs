//! From tags found in a photograph to points of a board, and what else those tags say about the photograph.

use crate::calibrate::board::{Board, Pattern};
use crate::calibrate::model::{BoardPoint, BoardView, Group};
use crate::camera::Lens;
use crate::fit::median;
use crate::raster::Gray;
use crate::tags::family::cells_of;
use crate::tags::light::Tone;
use crate::tags::pattern::Pattern as TagPattern;
use crate::tags::{Detection, refine};
use nalgebra::{DMatrix, Vector2};

/// What a photograph shows of a board.
#[derive(Clone, Debug)]
pub struct SeenBoard {
    /// The board's points; its groups may be empty.
    pub view: BoardView,
    /// Ids of tags that are not on the board.
    pub foreign: Vec<u16>,
    /// Ids of the board that are in the photograph more than once: two boards, or a reflection. They are left out.
    pub twice: Vec<u16>,
    /// Blur of the tags' edges, standard deviation, px; the median over the tags. `None` for a chessboard or where nothing was found.
    pub blur_px: Option<f64>,
}

/// The board's tags among those found.
pub fn board_view(board: &Board, name: &str, found: &[Detection]) -> SeenBoard {
    let mut groups = Vec::new();
    let (mut foreign, mut twice) = (Vec::new(), Vec::new());
    for d in found {
        let Some((centre, corners)) = place(board, d.id) else {
            foreign.push(d.id);
            continue;
        };
        if found.iter().filter(|other| other.id == d.id).count() > 1 {
            twice.push(d.id);
            continue;
        }
        groups.push(Group {
            label: usize::from(d.id),
            points: corners.iter().map(|c| BoardPoint { centre, offset: c - centre }).collect(),
            pixels: d.corners.to_vec(),
            cov: DMatrix::from_fn(8, 8, |i, j| d.cov[(i, j)]),
        });
    }
    foreign.sort_unstable();
    foreign.dedup();
    twice.sort_unstable();
    twice.dedup();
    let blurs: Vec<f64> = found.iter().filter(|d| place(board, d.id).is_some()).map(|d| d.blur_px).collect();
    SeenBoard { view: BoardView { name: name.into(), groups }, foreign, twice, blur_px: median(&blurs) }
}

fn place(board: &Board, id: u16) -> Option<(Vector2<f64>, [Vector2<f64>; 4])> {
    let corners = board.tag_corners_m(id)?;
    Some((corners.iter().sum::<Vector2<f64>>() / 4.0, corners))
}

/// Locates the tags of a view again now that a lens is known: their sides are straight only once its distortion is undone.
///
/// A tag that cannot be fitted again keeps its corners.
pub fn refine_with_lens(image: &Gray, view: &mut BoardView, tone: &Tone, lens: &Lens) {
    for group in &mut view.groups {
        let Some(cells) = u16::try_from(group.label).ok().and_then(cells_of) else { continue };
        let Ok(corners) = <[Vector2<f64>; 4]>::try_from(group.pixels.clone()) else { continue };
        if let Some(fit) = refine::refine(image, &corners, &TagPattern::new(cells), tone, Some(lens)) {
            group.pixels = fit.corners.to_vec();
            group.cov = DMatrix::from_fn(8, 8, |i, j| fit.cov[(i, j)]);
        }
    }
}

/// The same picture seen in a mirror (left and right exchanged).
pub fn mirrored(image: &Gray) -> Option<Gray> {
    let data = (0..image.height()).flat_map(|y| image.row(y).iter().rev().copied().collect::<Vec<u8>>()).collect();
    Gray::new(image.width(), image.height(), data)
}

/// True for a board of tags, whose every point is known by its id.
pub fn is_absolute(board: &Board) -> bool {
    matches!(board.pattern, Pattern::Tags { .. })
}
