//! The desk without a page.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::aids::{AidKind, Aids, Verdict};
use super::alarm::Alarms;
use super::book::{Book, ReadingKind};
use super::guide::{Chosen, Guide, Step, guide};
use super::results::Results;
use super::sight::{Sight, SightedLine};
use super::tracks;
use super::{
    CLIP_LIMIT_BYTES, Desk, DeskOptions, Moment, NotTaken, Playing, SourceKind, StripTurn,
};
use crate::basics::uncertainty::{Cause, Measured, Shape};
use crate::capture::Source;
use crate::find::{CrossHairs, FieldOfView, FixedPattern, Hair, Line};
use crate::follow::{FollowedLine, State, Sweep, TrackPoint};
use crate::logbook::journal::{ChosenLine, Entry, ReadingEntry, Record, SweptLine};
use crate::prism::lamps::LampTable;

fn line(id: u64, x_px: f64, velocity_px_s: f64) -> SightedLine {
    SightedLine {
        id: Some(id),
        line: Line {
            x_px,
            u_px: 0.01,
            y_ref_px: 240.0,
            tilt_deg: 0.2,
            curvature_per_px: 0.0,
            covariance: [[0.0; 3]; 3],
            width_px: 4.0,
            slit_px: 2.0,
            blur_px: 1.4,
            peak_level: 0.6,
            flux: 1e5,
            signal_to_noise: 100.0,
            saturated: false,
            lasting_px: 0.0,
            fixed_pattern: FixedPattern::default(),
            under_hair: false,
            rows: (60, 400),
        },
        offset_px: Some((x_px - 320.0, 0.01)),
        velocity_px_s,
        turned_at_px: None,
        state: State::Approaching,
    }
}

fn sight(seq: u64, lines: Vec<SightedLine>) -> Sight {
    let hair = |angle_deg| Hair {
        angle_deg,
        bow_per_px: 0.0,
        width_px: 3.0,
        depth: 0.5,
    };
    Sight {
        seq,
        time_s: seq as f64 / 25.0,
        taken: std::time::SystemTime::now(),
        width: 640,
        height: 480,
        cross_hairs: Some(CrossHairs {
            x_px: 320.0,
            y_px: 240.0,
            u_x_px: 0.002,
            u_y_px: 0.002,
            rotation_deg: 0.0,
            hairs: [hair(0.0), hair(90.0)],
        }),
        field: Some(FieldOfView {
            x_px: 320.0,
            y_px: 240.0,
            radius_px: 225.0,
        }),
        lines,
        stray_level: 0.05,
    }
}

fn codes(alarms: &Alarms) -> Vec<&str> {
    alarms
        .list()
        .iter()
        .map(|caution| caution.code.as_str())
        .collect()
}

fn turn(offset_px: f64) -> StripTurn {
    StripTurn {
        time_s: 1.0,
        id: Some(1),
        offset_px: Some(offset_px),
        u_px: 0.02,
        side: 1.0,
        counted: true,
        why: String::new(),
    }
}

#[test]
fn a_line_that_goes_beyond_its_turning_point_was_moved_by_the_telescope() {
    let run = |turns: &[StripTurn], offsets: &[f64], in_sweep: bool| {
        let mut alarms = Alarms::default();
        for (seq, offset_px) in (1..).zip(offsets) {
            let line = line(1, 320.0 + offset_px, -3.0);
            alarms.take(
                &sight(seq, vec![line.clone()]),
                Some(&line),
                turns,
                in_sweep,
            );
        }
        codes(&alarms).contains(&"telescope-moved")
    };
    let back: Vec<f64> = (0..40).map(|n| -30.0 + 2.0 * f64::from(n)).collect();
    let through: Vec<f64> = (0..20).map(|n| -20.0 - 2.0 * f64::from(n)).collect();
    assert!(!run(&[turn(-30.0)], &back, true), "on its own side");
    assert!(run(&[turn(-30.0)], &through, true), "beyond");
    assert!(
        !run(&[turn(-30.0)], &through, false),
        "outside a sweep the telescope may move"
    );
    assert!(
        !run(&[], &through, true),
        "nothing is known before the turn"
    );
    assert!(
        !run(&[turn(-30.0), turn(-30.1)], &back, true),
        "passes that agree"
    );
    assert!(
        run(&[turn(-30.0), turn(-25.0)], &back, true),
        "passes that do not"
    );
    let noise: Vec<f64> = (0..20).map(|n| -30.0 - 0.5 * f64::from(n % 2)).collect();
    assert!(
        !run(&[turn(-30.0)], &noise, true),
        "half a pixel is noise of the judgement"
    );
}

#[test]
fn a_line_about_to_leave_is_called_back_in_time() {
    let at = |x_px: f64, velocity_px_s: f64| {
        let mut alarms = Alarms::default();
        let line = line(1, x_px, velocity_px_s);
        alarms.take(&sight(1, vec![line.clone()]), Some(&line), &[], true);
        codes(&alarms).contains(&"line-leaves-field")
    };
    assert!(at(500.0, 60.0) && at(130.0, -60.0) && at(540.0, 5.0));
    assert!(!at(500.0, -60.0) && !at(320.0, 60.0) && !at(540.0, 0.5));
}

#[test]
fn hairs_that_are_not_seen_are_missed_after_a_while() {
    let mut alarms = Alarms::default();
    for seq in 1..=40 {
        let mut dark = sight(seq, Vec::new());
        dark.cross_hairs = None;
        alarms.take(&dark, None, &[], false);
        assert_eq!(codes(&alarms).contains(&"hairs-not-seen"), seq >= 30);
    }
    alarms.take(&sight(41, Vec::new()), None, &[], false);
    assert!(codes(&alarms).is_empty());
}

#[test]
fn the_best_is_held_and_shade_is_seen() {
    let mut aids = Aids::default();
    let show = |aids: &mut Aids, level: f64, blur_px: f64, flux: f64| {
        for seq in 0..40 {
            let mut line = line(1, 330.0, 0.0);
            line.line.peak_level = level;
            line.line.blur_px = blur_px;
            line.line.flux = flux;
            aids.take(&sight(seq, vec![line.clone()]), Some(&line));
        }
        aids.list()
            .iter()
            .map(|aid| (aid.kind, aid.clone()))
            .collect::<Vec<_>>()
    };
    let of = |list: &[(AidKind, super::Aid)], kind| {
        list.iter()
            .find(|(other, _)| *other == kind)
            .unwrap()
            .1
            .clone()
    };
    show(&mut aids, 0.8, 1.2, 1e5);
    assert!(aids.verdict().0, "{:?}", aids.verdict());
    let list = show(&mut aids, 0.4, 2.4, 9e4);
    let bright = of(&list, AidKind::Brightness);
    assert!((bright.best.unwrap() - 0.8).abs() < 0.01 && (bright.value - 0.4).abs() < 0.01);
    assert_eq!(bright.verdict, Some(Verdict::Fair));
    let sharp = of(&list, AidKind::Sharpness);
    assert!((sharp.best.unwrap() - 1.2).abs() < 0.01);
    assert_eq!(sharp.verdict, Some(Verdict::Poor));
    assert!(!aids.shaded());
    let shaded = show(&mut aids, 0.2, 1.2, 3e4);
    assert!(aids.shaded() && of(&shaded, AidKind::Shade).verdict == Some(Verdict::Poor));
    assert!(aids.verdict().1.contains("shades"));
    aids.reset_best();
    let list = show(&mut aids, 0.4, 2.4, 3e4);
    assert!((of(&list, AidKind::Brightness).best.unwrap() - 0.4).abs() < 0.01);
}

/// A book made of records, as the journal would give them.
fn book(entries: Vec<Entry>) -> Book {
    let mut book = Book::default();
    for (n, entry) in (1..).zip(entries) {
        book.take(&Record {
            n,
            at: "2026-01-02T03:04:05Z".to_owned(),
            entry,
        });
    }
    book
}

fn reading(kind: ReadingKind, line: Option<&str>, sweep: Option<u64>) -> Entry {
    Entry::Reading(ReadingEntry {
        kind: kind.word().to_owned(),
        line: line.map(str::to_owned),
        window_1: "10 00 00".to_owned(),
        window_2: None,
        offset_px: None,
        u_px: None,
        sweep,
        frames: Vec::new(),
        height_px: None,
        levels: None,
        doubt: None,
    })
}

fn experiment(lines: &[&str]) -> Entry {
    Entry::Experiment {
        lamp: "mercury".to_owned(),
        lines: lines
            .iter()
            .map(|name| ChosenLine {
                name: (*name).to_owned(),
                wavelength_nm: 546.0,
            })
            .collect(),
        refracting_angle: None,
        u_refracting_angle_arcsec: None,
        bench: None,
    }
}

/// Rows of the calculator as (set, target, row).
fn sets(book: &Book) -> Vec<(String, &'static str, usize)> {
    book.rows(&LampTable::embedded().unwrap())
        .into_iter()
        .map(|row| (row.set, row.target.word(), row.row))
        .collect()
}

#[test]
fn each_line_goes_with_its_own_central_image() {
    use ReadingKind::{Central, Face, Line};
    let row = |set: &str, target, row| (set.to_owned(), target, row);
    let of = |readings: [(ReadingKind, &str, Option<u64>); 4]| {
        book(
            readings
                .map(|(kind, line, sweep)| reading(kind, Some(line), sweep))
                .to_vec(),
        )
    };
    let two_sets = |central: [usize; 2], line: [usize; 2]| {
        [
            row("1", "central", central[0]),
            row("1", "line", line[0]),
            row("2", "central", central[1]),
            row("2", "line", line[1]),
        ]
    };
    // Line, then its central image; and the other way round.
    let after = of([
        (Line, "g", Some(1)),
        (Central, "g", None),
        (Line, "e", Some(2)),
        (Central, "e", None),
    ]);
    assert_eq!(sets(&after), two_sets([2, 4], [1, 3]));
    let first = of([
        (Central, "g", None),
        (Line, "g", None),
        (Central, "e", None),
        (Line, "e", None),
    ]);
    assert_eq!(sets(&first), two_sets([1, 3], [2, 4]));
    // Two lines of one sweep share it; a line without one does not count yet.
    let pair = of([
        (Line, "y1", Some(1)),
        (Line, "y2", Some(1)),
        (Central, "y2", None),
        (Line, "g", Some(2)),
    ]);
    assert_eq!(
        sets(&pair),
        [
            row("1", "central", 3),
            row("1", "line", 1),
            row("1", "line", 2)
        ]
    );
    assert_eq!(pair.lines_without_central(), ["g"]);
    // A repeat has a set of its own; what is struck out is gone until it counts again.
    let mut entries = vec![
        reading(Line, Some("g"), Some(1)),
        reading(Central, Some("g"), None),
        reading(Line, Some("g"), Some(3)),
        reading(Central, Some("g"), None),
        reading(Face, None, None),
        reading(Face, None, None),
        reading(Face, None, None),
        Entry::Strike {
            id: 2,
            reason: "misread".to_owned(),
        },
    ];
    let struck = book(entries.clone());
    // The second central image is not taken for that of the first reading, which waits for one.
    assert_eq!(
        sets(&struck),
        [
            row("A", "face-1", 5),
            row("A", "face-2", 6),
            row("2", "central", 4),
            row("2", "line", 3)
        ]
    );
    entries.push(Entry::Unstrike { id: 2 });
    assert_eq!(sets(&book(entries)).len(), 6);
}

fn guided(book: &Book, chosen: &Chosen) -> Guide {
    let mut results = Results::default();
    if book.counted(ReadingKind::Face).count() >= 2 {
        let cause = Cause::type_b("made up", Shape::Normal);
        results.prism_angle_deg = Some(Measured::new(60.0, 0.001, &cause));
    }
    guide(book, &results, chosen, false, &[])
}

#[test]
fn the_guide_knows_the_order_and_lets_people_skip() {
    use ReadingKind::{Central, Face, Line, Scale};
    let mut entries = vec![experiment(&["g", "e"])];
    let mut chosen = Chosen::default();
    let at = |entries: &[Entry], chosen: &Chosen| {
        let guide = guided(&book(entries.to_vec()), chosen);
        (
            guide.step,
            guide.line,
            guide.table_locked,
            guide.telescope_locked,
        )
    };
    assert_eq!(at(&entries, &chosen), (Step::Aids, None, true, false));
    chosen.past_aids = true;
    assert_eq!(at(&entries, &chosen), (Step::Scale, None, true, false));
    entries.extend((0..5).map(|_| reading(Scale, None, None)));
    assert_eq!(at(&entries, &chosen), (Step::Prism, None, true, false));
    entries.extend((0..2).map(|_| reading(Face, None, None)));
    let of = |name: &str| Some(name.to_owned());
    assert_eq!(at(&entries, &chosen), (Step::Sweep, of("g"), false, true));
    entries.push(Entry::SweepEnded {
        sweep: 9,
        line: of("g"),
        times_s: (0.0, 1.0),
        frames: 25,
        lines: vec![SweptLine {
            name: of("g"),
            line_id: Some(1),
            turned: true,
            passes: 2,
            x_px: 300.0,
            offset_px: Some(-20.0),
            u_px: 0.01,
        }],
        turns: Vec::new(),
        recording: None,
        track: None,
    });
    assert_eq!(at(&entries, &chosen), (Step::Reading, of("g"), true, true));
    entries.push(reading(Line, Some("g"), Some(9)));
    assert_eq!(at(&entries, &chosen), (Step::Central, of("g"), true, false));
    // Whoever goes on to the next line without it is warned.
    chosen.step = Some((Step::Sweep, of("e")));
    let guide = guided(&book(entries.clone()), &chosen);
    assert_eq!(
        (guide.step, guide.line.as_deref()),
        (Step::Sweep, Some("e"))
    );
    assert!(
        guide
            .warn
            .iter()
            .any(|w| w.code == "central-missing" && w.message.contains("of g"))
    );
    chosen.step = None;
    entries.push(reading(Central, Some("g"), None));
    assert_eq!(at(&entries, &chosen), (Step::Sweep, of("e"), false, true));
    assert!(guided(&book(entries.clone()), &chosen).warn.is_empty());
    chosen.step = Some((Step::Scale, None));
    assert_eq!(at(&entries, &chosen).0, Step::Scale);
}

/// A reading is seen as soon as it is on the disk, a moment before the guide goes on.
#[test]
fn who_goes_elsewhere_before_the_guide_goes_on_stays_there() {
    let at = |step| Some((step, Some("e".to_owned())));
    let mut chosen = Chosen {
        step: at(Step::Reading),
        ..Chosen::default()
    };
    chosen.go_on(at(Step::Reading).as_ref(), at(Step::Central));
    assert_eq!(chosen.step, at(Step::Central));
    chosen.step = at(Step::Sweep);
    chosen.go_on(at(Step::Central).as_ref(), None);
    assert_eq!(chosen.step, at(Step::Sweep));
}

fn desk(source: &str, folder: &Path) -> Arc<Desk> {
    let options = DeskOptions {
        source: Some(Source::Path(source.into())),
        logbook: folder.join("logbook"),
        clip_limit_bytes: CLIP_LIMIT_BYTES,
        ..DeskOptions::default()
    };
    Desk::open(options, || {}).unwrap()
}

fn until(desk: &Desk, what: &str, reached: impl Fn(&Moment) -> bool) -> Moment {
    let begun = Instant::now();
    loop {
        let moment = desk.moment();
        if reached(&moment) {
            return moment;
        }
        assert!(
            begun.elapsed() < Duration::from_secs(30),
            "{what} never came: {:?}",
            moment.source
        );
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A clip is 25 frames a second here: time k/25 is frame k.
#[test]
fn a_clip_is_played_stepped_and_scrubbed() {
    let folder = tempfile::tempdir().unwrap();
    let desk = desk("sample-frames/bench-3/line-3.mp4", folder.path());
    let begun = Instant::now();
    until(&desk, "a second", |m| {
        m.source.time_s.is_some_and(|t| t >= 1.0)
    });
    let took = begun.elapsed().as_secs_f64();
    assert!(
        (0.8..3.0).contains(&took),
        "a second of the clip took {took:.2} s"
    );
    desk.play(Playing::Pause).unwrap();
    std::thread::sleep(Duration::from_millis(200));
    let stood = desk.moment().source.time_s.unwrap();
    std::thread::sleep(Duration::from_millis(200));
    let frame = |m: &Moment| (m.source.time_s.unwrap() * 25.0).round();
    let shows =
        |time_s: f64| move |m: &Moment| m.source.time_s.is_some_and(|t| (t - time_s).abs() < 1e-3);
    let still = until(&desk, "standing", shows(stood));
    assert!(!still.source.playing);
    let at = frame(&still);
    for (steps, wanted) in [
        (1, at + 1.0),
        (1, at + 2.0),
        (-1, at + 1.0),
        (-1, at),
        (-5, at - 5.0),
        (3, at - 2.0),
    ] {
        desk.play(Playing::Step(steps)).unwrap();
        until(&desk, "a step", shows(wanted / 25.0));
    }
    for time_s in [4.0, 2.0, 0.0, 6.0] {
        desk.play(Playing::Seek(time_s)).unwrap();
        let moment = until(&desk, "the place", shows(time_s));
        assert!(!moment.source.playing, "it was paused and stays so");
    }
    // Behind the end is the last frame.
    desk.play(Playing::Seek(1000.0)).unwrap();
    let last = until(&desk, "the end", |m| {
        m.source.ended && m.source.time_s.is_some_and(|t| t > 6.5)
    });
    let duration = until(&desk, "the length", |m| m.source.duration_s.is_some())
        .source
        .duration_s
        .unwrap();
    assert!((last.source.time_s.unwrap() - duration).abs() < 1e-6);
    desk.play(Playing::Step(-1)).unwrap();
    until(&desk, "the frame before it", |m| {
        m.source
            .time_s
            .is_some_and(|t| (t - duration + 0.04).abs() < 1e-3)
    });
    desk.play(Playing::Seek(1000.0)).unwrap();
    until(&desk, "the end again", |m| m.source.ended);
    desk.play(Playing::Play).unwrap();
    let again = until(&desk, "the beginning", |m| {
        m.source.time_s.is_some_and(|t| t < 1.0)
    });
    assert_eq!(again.source.kind, SourceKind::Clip);
    assert_eq!(again.source.lost, 0);
}

/// The turning point is marked while the clip plays, before anybody ends the sweep, where the whole clip has it.
#[test]
fn a_turn_is_marked_as_it_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let desk = desk("sample-frames/bench-3/line-2.mp4", folder.path());
    desk.play(Playing::Speed(10.0)).unwrap();
    let moment = until(&desk, "a turn", |m| m.turn.count > 0);
    let turn = moment.turns.iter().find(|turn| turn.counted).unwrap();
    // The truth file has the turn at -42.804 px.
    assert!((turn.offset_px.unwrap() + 42.804).abs() < 0.3, "{turn:?}");
    assert!(turn.u_px < 0.2 && !moment.source.ended, "{turn:?}");
    let moment = until(&desk, "the end", |m| m.source.ended);
    assert!(moment.turn.distance_px.is_some_and(|d| d.abs() > 10.0));
}

/// A line, a time, and its offset then.
type Points = Vec<(usize, f64, f64)>;
/// A line, a time, and whether the turning point counts.
type Turns = Vec<(usize, f64, bool)>;

/// What is drawn of a kept sweep.
fn drawn(desk: &Desk, id: u64) -> (Points, Turns) {
    let (_, watched) = desk.sweep(id).unwrap();
    let sweep = &watched.unwrap().sweep;
    let points = sweep.lines.iter().flat_map(|line| {
        let of = |p: &TrackPoint| (line.line, p.time_s, p.offset_px.unwrap());
        line.track.iter().map(of).collect::<Vec<_>>()
    });
    let turns = sweep.turning_points.iter();
    (
        points.collect(),
        turns.map(|t| (t.line, t.time_s, t.counted)).collect(),
    )
}

/// A sweep whose track the disk refuses waits to be ended once more, and no clip takes its place meanwhile; once it is kept it is
/// the same in the next run of the program, as far as its table is there and lies in the logbook.
#[test]
fn a_sweep_is_not_lost_and_is_drawn_again_after_a_start() {
    let folder = tempfile::tempdir().unwrap();
    let logbook = folder.path().join("logbook");
    let desk = desk("sample-frames/bench-3/line-2.mp4", folder.path());
    desk.play(Playing::Pause).unwrap();
    desk.play(Playing::Seek(0.0)).unwrap();
    desk.play(Playing::Speed(20.0)).unwrap();
    desk.start_sweep(None).unwrap();
    assert!(desk.start_sweep(None).is_err(), "one at a time");
    desk.play(Playing::Play).unwrap();
    until(&desk, "the end", |m| m.source.ended);
    let clip = desk.begin_clip("other.mp4", None).err().unwrap();
    assert!(matches!(clip, NotTaken::Busy(_)), "{clip}");
    // A file where the folder of the tracks should be.
    std::fs::write(logbook.join("tracks"), "").unwrap();
    let refused = desk.end_sweep(None).unwrap_err();
    assert!(refused.0.contains("end it again"), "{refused}");
    assert!(desk.guide().in_sweep && desk.book().sweeps.is_empty());
    std::fs::remove_file(logbook.join("tracks")).unwrap();
    let said = desk.end_sweep(None).unwrap();
    assert!(said.contains("turned: line"), "{said}");
    assert!(!desk.guide().in_sweep && desk.end_sweep(None).is_err());
    let kept = desk.book().sweeps[0].clone();
    let (points, turns) = drawn(&desk, kept.id);
    assert!(points.len() > 100, "{} points", points.len());
    assert!(turns.iter().any(|(.., counted)| *counted));
    drop(desk);
    let again = |trouble: &str| {
        let options = DeskOptions {
            logbook: logbook.clone(),
            ..DeskOptions::default()
        };
        let begun = Instant::now();
        // The thread that computes may still hold the desk before for a moment.
        while begun.elapsed() < Duration::from_secs(5) {
            if let Ok(desk) = Desk::open(options.clone(), || {}) {
                return desk;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        panic!("{trouble}: the logbook stays in use")
    };
    let desk = again("as it was");
    let (after, turns_after) = drawn(&desk, kept.id);
    assert_eq!((after.len(), turns_after), (points.len(), turns));
    for (one, other) in points.iter().zip(&after) {
        assert_eq!(one.0, other.0);
        assert!((one.1 - other.1).abs() < 1e-6 && (one.2 - other.2).abs() < 1e-4);
    }
    assert!(!desk.book().sweeps[0].of_this_run);
    assert!(desk.sweep(kept.id + 1000).is_none());
    drop(desk);
    let table = logbook.join(kept.track.unwrap());
    let whole = std::fs::read_to_string(&table).unwrap();
    std::fs::write(&table, &whole[..whole.len() / 2 + 3]).unwrap();
    let torn = again("torn").sweep(kept.id).unwrap().1;
    assert!(torn.is_none(), "half a table is none");
    std::fs::remove_file(&table).unwrap();
    assert!(again("gone").sweep(kept.id).unwrap().1.is_none());
}

#[test]
fn tracks_in_memory_are_bounded_and_only_those_of_the_logbook_are_read() {
    let point = |frame: u64| TrackPoint {
        frame,
        time_s: frame as f64 / 30.0,
        x_px: 100.0,
        u_px: 0.01,
        offset_px: Some(1.0),
        level: 0.5,
        saturated: false,
    };
    let line = |line: usize, frames: u64| FollowedLine {
        line,
        turned: false,
        passes: 0,
        x_px: 100.0,
        offset_px: Some(1.0),
        u_px: 0.01,
        track: (0..frames).map(point).collect(),
    };
    let sweep = Sweep {
        toward: None,
        cross_hairs: None,
        lines: vec![line(1, 100_000), line(2, 30_000), line(3, 10)],
        turning_points: Vec::new(),
        cautions: Vec::new(),
    };
    let folder = tempfile::tempdir().unwrap();
    let name = tracks::keep(folder.path(), 7, &sweep).unwrap();
    let held: Vec<usize> = tracks::thinned(sweep)
        .lines
        .iter()
        .map(|line| line.track.len())
        .collect();
    assert!(
        held.iter().sum::<usize>() <= 8003 && held[2] > 0,
        "{held:?}"
    );
    let swept = SweptLine {
        name: None,
        line_id: None,
        turned: false,
        passes: 0,
        x_px: 100.0,
        offset_px: Some(1.0),
        u_px: 0.01,
    };
    let entry = |track: &str| Entry::SweepEnded {
        sweep: 1,
        line: None,
        times_s: (0.0, 1.0),
        frames: 10,
        lines: vec![swept.clone(); 3],
        turns: Vec::new(),
        recording: None,
        track: Some(track.to_owned()),
    };
    let read = |track: &str| {
        let book = book(vec![entry(track)]);
        let watched = tracks::restored(&book.sweeps[0], folder.path())?;
        Some(watched.sweep.lines.iter().map(|l| l.track.len()).collect())
    };
    assert_eq!(read(&name), Some(held));
    std::fs::copy(folder.path().join(&name), folder.path().join("out.csv")).unwrap();
    for elsewhere in [
        "out.csv",
        "tracks/../out.csv",
        "tracks/..\\out.csv",
        "/etc/passwd",
        "tracks/",
        "",
    ] {
        let none: Option<Vec<usize>> = read(elsewhere);
        assert_eq!(none, None, "{elsewhere}");
    }
    // Of many sweeps the newest are held.
    let mut many = book((0..100).map(|_| entry(&name)).collect());
    tracks::restore(&mut many, folder.path());
    let held = many.sweeps.iter().filter(|s| s.watched.is_some()).count();
    assert_eq!(held, 40);
    assert!(many.sweeps[0].watched.is_none() && many.sweeps[99].watched.is_some());
}

#[test]
fn a_sweep_that_the_end_of_the_program_cut_off_is_told() {
    let of = |name: &str| Some(name.to_owned());
    let mut entries = vec![
        experiment(&["g"]),
        Entry::SweepBegan { line: of("g") },
        Entry::Opened {
            lineturn: "1".to_owned(),
        },
    ];
    let chosen = Chosen {
        step: Some((Step::Sweep, of("g"))),
        ..Chosen::default()
    };
    let told = |entries: &[Entry]| {
        let warn = guided(&book(entries.to_vec()), &chosen).warn;
        warn.iter()
            .any(|w| w.code == "sweep-cut-off" && w.message.contains("Sweep 2"))
    };
    assert!(!told(&entries[..2]) && told(&entries));
    entries.push(Entry::Opened {
        lineturn: "1".to_owned(),
    });
    assert!(told(&entries), "until it is swept anew");
    entries.push(Entry::SweepBegan { line: of("g") });
    assert!(!told(&entries));
}
