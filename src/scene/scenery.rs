//! The solid things of a made bay, built around the true wheels, plates and stand: they hide tags, and photographs show them.
//! An invented car of no make.

use crate::frames::{Pose, World};
use crate::scene::layout::{Layout, PAPER_M, SHEET_SIDE_M, TrueTag};
use crate::scene::options::BayOptions;
use crate::scene::solid::{Material, Solid};
use nalgebra::{Isometry3, Vector3};

/// Paper around a tag reaches this far beyond its centre, as a share of its side: half the tag, the white margin of one cell (1/8), and a little more.
pub const PAPER_HALF_SHARE: f64 = 0.5 + 0.125 + 0.03;

/// The room: walls at these coordinates, m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Behind the car.
    pub x_low: f64,
    /// In front of the stand.
    pub x_high: f64,
    /// To the left; the right wall is at minus this.
    pub y_high: f64,
    /// Height of the floor that photographs show. Just below every print, also where the errors drawn for a sheet put its print below
    /// the mean floor (z = 0): a stated normal distribution allows that, paint does not.
    pub floor: f64,
}

/// The room around a layout.
pub fn room(layout: &Layout) -> Room {
    let stand_x = layout.world_from_body[layout.stand].translation().x;
    let floor = layout.tags.iter().flat_map(|tag| paper_corners(tag).map(|corner| corner.z)).fold(0.0, f64::min);
    Room { x_low: -5.6, x_high: stand_x + 5.0, y_high: 5.6, floor: floor - 2e-4 }
}

/// Corners of the white paper around a tag, world, m.
pub fn paper_corners(tag: &TrueTag) -> [Vector3<f64>; 4] {
    let h = PAPER_HALF_SHARE * tag.side_m;
    [[-h, -h], [h, -h], [h, h], [-h, h]]
        .map(|[x, y]| (tag.world_from_tag * crate::frames::Point::claim(Vector3::new(x, y, 0.0))).coords)
}

fn cuboid_in<F>(world_from_frame: &Pose<World, F>, centre: [f64; 3], half: [f64; 3], material: Material) -> Solid {
    let place = world_from_frame.iso() * Isometry3::translation(centre[0], centre[1], centre[2]);
    Solid::cuboid(&place, Vector3::from(half), material)
}

/// All solid things.
pub fn solids(options: &BayOptions, layout: &Layout) -> Vec<Solid> {
    let mut all = Vec::new();
    car(options, layout, &mut all);
    stand(layout, &mut all);
    plates(layout, &mut all);
    cabinets(&room(layout), &mut all);
    all
}

fn car(options: &BayOptions, layout: &Layout, all: &mut Vec<Solid>) {
    let (wb, half_width) = (layout.wheelbase_m, options.track_m / 2.0 + 0.095);
    let body = [
        [-0.78, 0.20],
        [wb + 0.70, 0.20],
        [wb + 0.84, 0.42],
        [wb + 0.79, 0.68],
        [wb - 0.50, 0.96],
        [-0.60, 0.99],
        [-0.88, 0.86],
        [-0.92, 0.42],
    ];
    let at = layout.world_from_car.iso();
    all.push(Solid::profile(&body, half_width, 0.15, 0.03, Material::CarPaint).moved(at));
    let cabin = [[-0.52, 0.95], [wb - 0.55, 0.93], [wb - 1.30, 1.40], [0.35, 1.46], [-0.15, 1.38]];
    all.push(Solid::profile(&cabin, half_width - 0.06, 0.95, 0.38, Material::Cabin).moved(at));
    for wheel in &layout.wheels {
        let (hub, axis) = (wheel.hub_in_vehicle.coords, wheel.axis_in_vehicle.coords);
        all.push(Solid::rod(hub - axis * 0.1, hub + axis * 0.105, options.hub_height_m, Material::Wheel));
    }
    let lamp_half = Vector3::new(0.05, 0.12, 0.045);
    for y in [-0.60, 0.60] {
        let (front, rear) = (Isometry3::translation(wb + 0.765, y, 0.60), Isometry3::translation(-0.87, y, 0.80));
        all.push(Solid::cuboid(&(at * front), lamp_half, Material::Lamp));
        all.push(Solid::cuboid(&(at * rear), lamp_half, Material::Cabinet(1)));
    }
}

pub(super) fn stand(layout: &Layout, all: &mut Vec<Solid>) {
    let at = &layout.world_from_body[layout.stand];
    let floor = -at.translation().z;
    for z in [0.22, -0.36] {
        all.push(cuboid_in(at, [0.006, 0.0, z], [0.006, 0.6, 0.11], Material::Board));
    }
    // Two millimetres behind the boards, so that no sheet on it sinks in however it is tilted.
    all.push(cuboid_in(at, [0.006, 0.0, -0.07], [0.004, 0.28, 0.165], Material::Panel));
    // Boards of the wings stand where their tags are glued on.
    for tag in layout.tags.iter().filter(|tag| tag.body == layout.stand && matches!(tag.id, 45 | 46)) {
        let half = SHEET_SIDE_M * PAPER_HALF_SHARE + 0.001;
        all.push(cuboid_in(&tag.world_from_tag, [0.0, 0.0, -0.006 - PAPER_M], [half, 0.11, 0.006], Material::Board));
    }
    for y in [-0.45, 0.45] {
        let (low, high) = (floor + 0.04, 0.36);
        all.push(cuboid_in(at, [0.034, y, (low + high) / 2.0], [0.02, 0.02, (high - low) / 2.0], Material::Metal));
        all.push(cuboid_in(at, [0.034, y, floor + 0.022], [0.34, 0.03, 0.02], Material::Rubber));
    }
    all.push(cuboid_in(at, [0.034, 0.0, floor + 0.09], [0.015, 0.43, 0.02], Material::Metal));
}

fn plates(layout: &Layout, all: &mut Vec<Solid>) {
    for wheel in &layout.wheels {
        let Some(plate) = wheel.plate else { continue };
        let at = &layout.world_from_body[plate.body];
        all.push(cuboid_in(at, [0.0, 0.0, -0.005 - PAPER_M], [0.137, 0.137, 0.005], Material::Board));
        let (hub, axis) = (wheel.hub_in_vehicle.coords, wheel.axis_in_vehicle.coords);
        let back = (*at * crate::frames::Point::claim(Vector3::new(0.0, 0.0, -0.011))).coords;
        all.push(Solid::rod(hub + axis * 0.1, back, 0.025, Material::Metal));
        // The clamp's bar across the wheel, and its claws.
        let bar_z = -0.5 * plate.hub_in_plate.coords.z.abs() + 0.02;
        all.push(cuboid_in(at, [0.0, 0.0, bar_z], [0.20, 0.018, 0.012], Material::Metal));
        for x in [-0.19, 0.19] {
            all.push(cuboid_in(at, [x, 0.0, bar_z - 0.02], [0.012, 0.014, 0.03], Material::Rubber));
        }
    }
}

fn cabinets(room: &Room, all: &mut Vec<Solid>) {
    // Across the walls behind the car, to the left and to the right: place along the wall, half width, height, colour.
    let spots = [
        (-3.6, 0.45, 1.9, 0),
        (-2.2, 0.8, 0.9, 2),
        (0.4, 0.4, 1.7, 1),
        (2.3, 0.9, 1.0, 2),
        (5.0, 0.5, 2.0, 0),
        (6.6, 0.7, 0.9, 3),
    ];
    for (along, half, height, colour) in spots {
        for side in [1.0, -1.0] {
            // The right side is not the left side's mirror image.
            let x = if side > 0.0 { along } else { 3.0 - along };
            let place = Isometry3::translation(x, side * (room.y_high - 0.3), height / 2.0);
            all.push(Solid::cuboid(&place, Vector3::new(half, 0.28, height / 2.0), Material::Cabinet(colour)));
        }
    }
    for (y, half, height, colour) in [(-3.0, 0.5, 1.8, 1), (0.2, 1.1, 0.9, 3), (2.9, 0.45, 2.0, 0)] {
        for x in [room.x_low + 0.3, room.x_high - 0.3] {
            let place = Isometry3::translation(x, if x > 0.0 { y } else { -y }, height / 2.0);
            all.push(Solid::cuboid(&place, Vector3::new(0.28, half, height / 2.0), Material::Cabinet(colour)));
        }
    }
}
