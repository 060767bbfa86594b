//! The result file from a job, its survey and its assessment: inside units become mm and degrees here and nowhere else.

use crate::body::BodyKind;
use crate::camera::{Lens, N_LENS};
use crate::frames::{Pose, Vehicle, World};
use crate::placement::{Component, Reference};
use crate::record::result::*;
use crate::record::{Job, LensChoice, Notice};
use crate::session::{Look, Measured};
use crate::survey::integrity::{Suspect, Tested};
use crate::survey::{Survey, Touched};
use crate::uncertainty::{Estimate, K_95};
use crate::units::{deg_from_rad, mm_from_m};
use crate::verdict::words::source_name;
use crate::verdict::{Assessment, Deviation, Move, MoveKind, State, StationResult};
use nalgebra::Vector3;

const RULE: &str = "in tolerance only if |deviation| + U <= tolerance; out of tolerance only if |deviation| - U > tolerance; otherwise \
not proven (guard bands after ISO 14253-1; U at 95 %)";

/// The result of a job that could not be measured.
pub(super) fn not_measured(
    job: &Job,
    look: &Look,
    survey: Option<&Survey>,
    reason: String,
    notices: Vec<Notice>,
) -> ResultFile {
    ResultFile {
        format: RESULT_FORMAT.into(),
        program: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).into(),
        caution: CAUTION.into(),
        title: job.title.clone(),
        verdict: Verdict::NotMeasured,
        not_measured: Some(reason),
        rule: RULE.into(),
        coverage_factor: K_95,
        vin: job.vin.clone(),
        vin_unchecked: job.vin_unchecked.clone(),
        readiness: Vec::new(),
        placement: PlacementPart {
            title: job.placement.title.clone(),
            source: job.placement.source.clone(),
            revision: job.placement.revision.clone(),
            reference: match job.placement.reference {
                Reference::Floor => "floor".into(),
                Reference::Vertical => "vertical".into(),
            },
        },
        stations: Vec::new(),
        stations_not_measured: Vec::new(),
        vehicle: None,
        points: Vec::new(),
        pointer: None,
        bodies: survey.map(|s| bodies(job, s, None)).unwrap_or_default(),
        lenses: lenses(job, survey),
        photographs: photographs(job, look, survey, None),
        outliers: survey.map(|s| outliers(job, look, s)).unwrap_or_default(),
        survey: survey.map(|s| survey_part(job, s)),
        integrity: Vec::new(),
        tag_places: Vec::new(),
        advice: None,
        monte_carlo: None,
        notices: notices.into_iter().map(|n| NoticePart { about: n.about, text: n.text }).collect(),
        notes: Vec::new(),
    }
}

/// The result of a job that was judged.
pub(super) fn build(job: &Job, measured: &Measured, judged: &Assessment, touched: Option<&Touched>) -> ResultFile {
    let survey = &measured.survey;
    let vehicle_from_world = judged.vehicle.world_from_vehicle.inverse();
    let unmeasured: Vec<NotMeasuredPart> = judged
        .unmeasured
        .iter()
        .map(|u| NotMeasuredPart { name: u.name.clone(), reason: u.reason.to_string() })
        .collect();
    let nothing_judged = judged.stations.is_empty();
    let why = unmeasured.iter().map(|u| format!("{}: {}.", u.name, u.reason)).collect::<Vec<_>>().join(" ");
    ResultFile {
        verdict: if nothing_judged { Verdict::NotMeasured } else { verdict(judged.verdict) },
        not_measured: nothing_judged.then_some(why),
        stations: judged.stations.iter().map(station).collect(),
        stations_not_measured: unmeasured,
        vehicle: Some(vehicle(job, survey, judged)),
        points: super::touch::point_parts(job, touched, &judged.vehicle),
        pointer: super::touch::pointer_part(job, touched),
        bodies: bodies(job, survey, Some(&vehicle_from_world)),
        photographs: photographs(job, &measured.look, Some(survey), Some(&vehicle_from_world)),
        tag_places: tag_places(job, survey),
        notes: judged.notes.clone(),
        ..not_measured(job, &measured.look, Some(survey), String::new(), measured.notices.clone())
    }
}

fn verdict(state: State) -> Verdict {
    match state {
        State::InTolerance => Verdict::In,
        State::NotProven => Verdict::NotProven,
        State::OutOfTolerance => Verdict::Out,
    }
}

/// Millimetres or degrees, as the component asks.
pub(super) fn outside(component: Component, inside: f64) -> f64 {
    if component.is_angle() { deg_from_rad(inside) } else { mm_from_m(inside) }
}

pub(super) fn value(e: &Estimate, unit: fn(f64) -> f64) -> Value {
    Value { value: unit(e.value), u: unit(e.u), expanded: unit(e.expanded) }
}

pub(super) fn vector_mm(v: &Vector3<f64>) -> [f64; 3] {
    [mm_from_m(v.x), mm_from_m(v.y), mm_from_m(v.z)]
}

fn pose<A, B>(p: &Pose<A, B>) -> PosePart {
    let r = p.rotation();
    PosePart {
        rotation: std::array::from_fn(|i| std::array::from_fn(|j| r[(i, j)])),
        translation_mm: vector_mm(&p.translation()),
    }
}

/// A judged station as the result file says it.
pub fn station(s: &StationResult) -> StationPart {
    let of = |c: Component| deviation(&s.deviations[c.index()]);
    StationPart {
        name: s.name.clone(),
        verdict: verdict(s.verdict),
        deviations: SixPart::of(of),
        covariance_mm_deg: std::array::from_fn(|i| {
            std::array::from_fn(|j| outside(Component::ALL[i], outside(Component::ALL[j], s.cov[(i, j)])))
        }),
        moves: s.moves.iter().map(movement).collect(),
        at_range: s
            .at_range
            .iter()
            .map(|a| AtRangePart {
                from_yaw: a.component == Component::Yaw,
                range_m: a.range_m,
                offset_m: value(&a.offset, |m| m),
            })
            .collect(),
        vehicle_from_target: pose(&s.vehicle_from_target),
    }
}

fn deviation(d: &Deviation) -> DeviationPart {
    let unit = |v| outside(d.component, v);
    let variance: f64 = d.deviation.u * d.deviation.u;
    DeviationPart {
        required: unit(d.required),
        measured: unit(d.measured),
        deviation: unit(d.deviation.value),
        u: unit(d.deviation.u),
        expanded: unit(d.deviation.expanded),
        tolerance: d.tolerance.map(unit),
        verdict: d.state.map(verdict),
        probability_in_tolerance: d.conformance,
        decidable: d.decidable,
        words: d.words.clone(),
        remedy: d.remedy.clone(),
        shares: d
            .shares
            .iter()
            .map(|share| SharePart {
                source: source_name(share.source),
                u: unit(share.u),
                percent_of_variance: if variance > 0.0 { 100.0 * share.u * share.u / variance } else { 0.0 },
            })
            .collect(),
    }
}

fn movement(m: &Move) -> MovePart {
    let (kind, angle) = match m.kind {
        MoveKind::LevelPitch => ("level pitch", true),
        MoveKind::LevelRoll => ("level roll", true),
        MoveKind::Turn => ("turn", true),
        MoveKind::SlideSideways => ("slide sideways", false),
        MoveKind::SlideAlong => ("slide along", false),
        MoveKind::RaiseLower => ("raise or lower", false),
    };
    MovePart {
        kind: kind.into(),
        amount_mm: (!angle).then(|| mm_from_m(m.amount)),
        amount_deg: angle.then(|| deg_from_rad(m.amount)),
        u: if angle { deg_from_rad(m.u) } else { mm_from_m(m.u) },
        words: m.words.clone(),
    }
}

fn vehicle(job: &Job, survey: &Survey, judged: &Assessment) -> VehiclePart {
    let v = &judged.vehicle;
    let name = |body: usize| job.kit.bodies[body].name.clone();
    VehiclePart {
        name: job.vehicle.name.clone(),
        id: job.vehicle.id.clone(),
        wheels: v
            .wheels
            .iter()
            .map(|w| WheelPart {
                at: w.corner.name().into(),
                hub_mm: vector_mm(&w.hub.coords),
                axis: w.axis.coords.into(),
                toe_deg: value(&w.toe, deg_from_rad),
                toe_centreline_deg: w.toe_centreline.as_ref().map(|e| value(e, deg_from_rad)),
                camber_deg: value(&w.camber, deg_from_rad),
                clamp: super::roll::clamp(job, survey, w.corner),
            })
            .collect(),
        rear_track_mm: value(&v.rear_track, mm_from_m),
        wheelbase_mm: v.wheelbase.as_ref().map(|e| value(e, mm_from_m)),
        thrust_heading_deg: v.thrust_heading.as_ref().map(|e| value(e, deg_from_rad)),
        front_set_back_mm: v.front_set_back.as_ref().map(|e| value(e, mm_from_m)),
        thrust_lines: super::roll::thrust_lines(v),
        roll: super::roll::roll(job, survey, v),
        vertical_from: super::roll::vertical_from(job, survey).into(),
        steepest_floor: v.steepest.as_ref().map(|(low, high, rise)| SteepestPart {
            low: name(*low),
            high: name(*high),
            rises_mm_per_m: value(rise, mm_from_m),
        }),
        floor_slope_deg: v.floor_slope.as_ref().map(|[x, y]| [value(x, deg_from_rad), value(y, deg_from_rad)]),
        sheet_heights: v
            .sheet_heights
            .iter()
            .map(|(body, height)| SheetHeightPart {
                body: job.kit.bodies[*body].name.clone(),
                height_mm: value(height, mm_from_m),
            })
            .collect(),
    }
}

/// Where the tags sit against their declared places.
fn tag_places(job: &Job, survey: &Survey) -> Vec<TagPlacePart> {
    let of_test = |test: &Tested| {
        let (Suspect::Tag { body, id }, Some(found)) = (&test.suspect, test.displaced) else { return None };
        let body = job.kit.bodies.get(*body)?.name.clone();
        Some(TagPlacePart { body, tag: *id, shift_mm: vector_mm(&found.shift_m), u_shift_mm: vector_mm(&found.u_m) })
    };
    survey.integrity.iter().filter_map(of_test).collect()
}

/// The word for a body's kind.
pub(super) fn kind_word(kind: BodyKind) -> &'static str {
    match kind {
        BodyKind::FloorSheet => "floor sheet",
        BodyKind::Plate => "plate",
        BodyKind::Stand => "stand",
        BodyKind::PlumbLine => "plumb line",
        BodyKind::Pointer => "pointer",
        BodyKind::TouchedPoint => "touched point",
        BodyKind::Other => "other",
    }
}

fn bodies(job: &Job, survey: &Survey, vehicle_from_world: Option<&Pose<Vehicle, World>>) -> Vec<BodyPart> {
    survey
        .bodies
        .iter()
        .filter(|b| b.hold.is_none())
        .map(|b| BodyPart {
            name: job.kit.bodies[b.body].name.clone(),
            kind: kind_word(job.kit.bodies[b.body].kind).into(),
            station: b.station.and_then(|s| job.placement.stations.get(s)).map(|s| s.name.clone()),
            roll_position: super::roll::position_name(job, b.position),
            photographs: b.n_photos,
            vehicle_from_body: vehicle_from_world.map(|v| pose(&(*v * b.world_from_body))),
        })
        .collect()
}

/// Lens parameters under their names.
pub(super) fn lens_numbers(p: [f64; N_LENS]) -> LensNumbers {
    let [fx_px, fy_px, cx_px, cy_px, k1, k2, p1, p2, k3] = p;
    LensNumbers { fx_px, fy_px, cx_px, cy_px, k1, k2, p1, p2, k3 }
}

fn numbers(lens: &Lens) -> LensNumbers {
    lens_numbers(lens.parameters().into())
}

/// The lenses as declared and as the survey left them.
pub(super) fn lenses(job: &Job, survey: Option<&Survey>) -> Vec<LensPart> {
    job.lenses
        .iter()
        .enumerate()
        .map(|(k, profile)| LensPart {
            file: profile.file.clone(),
            camera: profile.camera.clone(),
            image_size: [profile.lens.width, profile.lens.height],
            adjustment: match job.lens_choice {
                LensChoice::WithinProfile if profile.cov.is_some() => "within profile".into(),
                LensChoice::WithinProfile | LensChoice::Held => "held".into(),
                LensChoice::Free => "free".into(),
            },
            profile: numbers(&profile.lens),
            corrected: survey.and_then(|s| s.lenses.get(k)).map(numbers),
            u: survey.and_then(|s| s.lens_sigma.get(k)).map(|u| lens_numbers(*u)),
        })
        .collect()
}

fn photographs(
    job: &Job,
    look: &Look,
    survey: Option<&Survey>,
    vehicle_from_world: Option<&Pose<Vehicle, World>>,
) -> Vec<PhotographPart> {
    job.photos
        .iter()
        .enumerate()
        .map(|(k, photo)| {
            let refused = look.refused.iter().find(|(r, _)| *r == k).map(|(_, reason)| reason.clone());
            let seen = look.photos.iter().position(|p| p.name == photo.name);
            let found = seen.and_then(|s| survey?.photos.iter().find(|p| p.photo == s));
            let untied = seen.and_then(|s| survey?.untied_photos.iter().find(|(p, _)| *p == s));
            let tags = survey
                .map(|sv| sv.views.iter().filter(|v| Some(v.photo) == seen && v.used).map(|v| v.id).collect())
                .unwrap_or_default();
            PhotographPart {
                name: photo.name.clone(),
                used: found.is_some(),
                reason: refused.or_else(|| untied.map(|(_, reason)| reason.clone())),
                rms_px: found.map(|p| p.rms_px),
                tags,
                camera_mm: found.and_then(|p| {
                    vehicle_from_world.map(|v| vector_mm(&(*v * p.camera_from_world.inverse()).translation()))
                }),
            }
        })
        .collect()
}

fn outliers(job: &Job, look: &Look, survey: &Survey) -> Vec<OutlierPart> {
    survey
        .views
        .iter()
        .filter(|v| !v.used)
        .map(|v| OutlierPart {
            photograph: look.photos[v.photo].name.clone(),
            tag: v.id,
            body: job.kit.bodies[survey.bodies[v.body].body].name.clone(),
            largest_residual_px: v.residual_px.iter().map(|r| r.norm()).fold(0.0, f64::max),
            statistic: Some(v.statistic).filter(|s| s.is_finite()),
            degrees_of_freedom: v.dof,
        })
        .collect()
}

/// How well everything fits together.
pub(super) fn survey_part(job: &Job, survey: &Survey) -> SurveyPart {
    let lengths = survey.residual_lengths_px();
    let n = lengths.len().max(1) as f64;
    let used = survey.views.iter().filter(|v| v.used).count();
    SurveyPart {
        sigma0: survey.sigma0,
        unmodelled_px: survey.unmodelled_px,
        redundancy: survey.redundancy,
        median_residual_px: crate::fit::median(&lengths).unwrap_or(0.0),
        rms_residual_px: (lengths.iter().map(|l| l * l).sum::<f64>() / n).sqrt(),
        views_used: used,
        views_rejected: survey.views.len() - used,
        print_scales: job
            .kit
            .prints
            .iter()
            .zip(&survey.print_scale)
            .map(|(print, found)| PrintScalePart { name: print.name.clone(), found_mm_per_m: found.map(mm_from_m) })
            .collect(),
    }
}
