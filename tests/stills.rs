//! Single practice stills that were measured wrongly once: all lines, with the cross-hairs and true uncertainties.
//!
//! Kinds and their seeds are those of the accuracy benchmark, which measures many more.

use lineturn::session::{Frame, locate_in};

use crate::practice_stills::{KINDS, single_frame};

/// An error beyond this many standard uncertainties is a wrong uncertainty.
const MOST_U: f64 = 3.0;
/// An error of a line under a hair that is larger, px, means that the hair was taken to lie elsewhere.
const ASTRAY_PX: f64 = 0.15;

fn check(kind: &str, seeds: &[u64]) {
    let kind = KINDS.iter().find(|known| known.0 == kind);
    let kind = kind.expect("a kind of the list");
    for &seed in seeds {
        let scene = single_frame(kind, seed);
        let mut frame = Frame::empty();
        let truth = scene.rendering().next_into(&mut frame).expect("a frame");
        let found = locate_in(&frame);
        let name = format!("{}, seed {seed}", kind.0);
        assert!(found.cross_hairs.is_some(), "{name}: no cross-hairs");
        let lines = found.lines.len();
        assert_eq!(lines, truth.lines.len(), "{name}: {lines} lines");
        let mut places: Vec<f64> = truth.lines.iter().map(|line| line.x_px).collect();
        places.sort_by(f64::total_cmp);
        for (line, place) in found.lines.iter().zip(places) {
            let line = line.at_height(scene.eyepiece.hairs.y_px);
            let error = line.x_px - place;
            println!("{name}: {error:+.4} px, u {:.4} px", line.u_px);
            assert!(
                error.abs() < MOST_U * line.u_px && error.abs() < ASTRAY_PX,
                "{name}: {error:+.4} px off, u {:.4} px",
                line.u_px
            );
        }
    }
}

/// The hair takes a side of the line (3, 17), or cuts it in pieces (21); a fainter candidate may not be preferred (18).
#[test]
fn a_hair_hidden_by_a_line_is_found() {
    check("under a hair", &[3, 17, 18, 21]);
}

/// The line is clipped beside the hair: it was lost (30, 115), its hair was found on the other side of it (33), or 8 px beside it (112).
#[test]
fn a_hair_hidden_by_a_clipped_line_is_found() {
    check("under a hair, saturated", &[30, 33, 112, 115]);
}

/// One of both was clear in the first look and begun with in the second, where the light of the other became a part of it.
#[test]
fn both_lines_of_a_close_doublet_are_found() {
    check("close doublet", &[39]);
}

/// The broad line that was taken for both stood within a quarter of their distance of the clearer one, and stayed.
#[test]
fn a_closest_pair_that_is_taken_for_one_line_is_divided() {
    check("closest pair", &[312]);
}

/// The rim of a field that fills less than half the picture was taken for a second line.
#[test]
fn the_rim_of_a_small_field_is_no_line() {
    check("diagonal hairs", &[30]);
}

/// The blocks of a strongly compressed picture have next to no noise: hairs were not seen (1, 22, 39), or the line was thought to have
/// no place (36), since its profile was doubted while the fit was still far from its end; patches of light were taken for lines
/// (20, 50).
#[test]
fn a_strongly_compressed_still_shows_its_hairs_and_its_line() {
    check("JPEG", &[1, 3, 20, 22, 36, 39, 50]);
}
