//! The command line in the words of its users.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

const CAUTION: &str = "\
Before you look: never point the telescope at the sun or at a laser, with the
eye or with a camera. Mercury and cadmium lamps emit ultraviolet light, run hot
and are fed by high voltage: keep the housing on, let them cool, and follow the
rules of your laboratory.";

/// Measures prism spectrometer lines by camera: turning points, and the indices that follow
#[derive(Parser, Debug)]
#[command(name = "lineturn", version, after_help = CAUTION)]
pub(super) struct Flags {
    #[command(subcommand)]
    pub(super) command: Command,
}

#[derive(Subcommand, Debug)]
pub(super) enum Command {
    /// The whole experiment on the frames that come with the program, compared with its known truth
    #[command(
        after_help = "Example:\n  lineturn demo\n  lineturn demo --dir my-demo --json > demo.json"
    )]
    Demo(Demo),
    /// Cross-hairs and lines in still pictures
    #[command(
        after_help = "Examples:\n  lineturn locate eyepiece.png\n  lineturn locate central-*.png --json > found.json"
    )]
    Locate(Locate),
    /// Follows the lines while the prism table turns and finds where each turned
    #[command(
        after_help = "Examples:\n  lineturn watch sweep.mp4\n  lineturn watch sweep.mp4 --toward right --scale scale.json --track track.csv\n  lineturn watch frames/ --fps 25 --json\n  lineturn watch - < sweep.y4m\n  lineturn watch camera:0 --seconds 40 --record sweep.avi\n  lineturn watch clips/*.mp4 --json-dir results\n\nA live source ends after --seconds, or at Ctrl-C: what was measured till then is\nprinted. Exposure, gain, white balance and focus of a camera are locked where\nthey stand when it starts, unless values are given.\n\nMake two passes in a clip: one pass alone cannot always tell the minimum from\na hand that turned back."
    )]
    Watch(Watch),
    /// The live experiment on a page of the browser: what the camera sees, what to do next, readings, and results as they grow
    #[command(
        after_help = "Examples:\n  lineturn bench --source camera:0 --logbook monday\n  lineturn bench --source sweep.mp4\n  lineturn bench --source camera:0 --bench bench.toml --share\n\nThe page is served to this machine only; with --share to the local network, too: who\nhas the address printed first may change things, who has the one below it, or its QR\ncode, may only look. A clip plays in real time and can be paused, stepped and wound. Ctrl-C ends; started\nagain with the same --logbook, it goes on where it was."
    )]
    Bench(Bench),
    /// The cameras that this machine has, their modes, and what of them can be locked
    #[command(
        after_help = "Examples:\n  lineturn cameras\n  lineturn watch camera:0\n  lineturn watch camera:usb-0000:00:14.0-2 --mode 1280x720@30:MJPG"
    )]
    Cameras(Cameras),
    /// The camera's own process, started by the program itself
    #[command(hide = true)]
    CameraProcess(CameraProcess),
    /// The process of one clip of many, started by the program itself
    #[command(hide = true)]
    ClipProcess(ClipProcess),
    /// The camera's scale, from slit pictures at known circle readings
    #[command(
        after_help = "Example:\n  lineturn scale scale.csv --save scale.json\n\nscale.csv, one row a picture (or `offset_px` instead of `frame`):\n  window_1,window_2,frame\n  127°34'30\",307°34'30\",slit-1.png\n  127°50'00\",307°50'30\",slit-2.png"
    )]
    Scale(Scale),
    /// Circle readings and offsets to refracting angle, deviations, indices and dispersion
    #[command(
        after_help = "Examples:\n  lineturn reduce readings.csv --scale scale.json --report report.html\n  lineturn reduce readings.csv --bench bench.toml --report report.pdf --paper letter\n  lineturn reduce readings.csv --prism-angle \"60°02'\" --u-prism-angle 30 --json\n\nreadings.csv, one row a pointing of the telescope:\n  set,target,line,wavelength_nm,window_1,window_2,footage\n  ,face-1,,,,…\n  1,line,Hg green,546.075,212°14'30\",32°14'00\",green.mp4\n  1,central,,,160°02'00\",340°02'30\",central-1.png\nRows with the same set belong together: the table was not touched between them."
    )]
    Reduce(Reduce),
    /// Cuts footage of a whole demonstration into its steps, with their times
    #[command(
        after_help = "Examples:\n  lineturn outline demonstration.mp4\n  lineturn outline demonstration.mp4 --scale scale.json --chapters demonstration.vtt\n  lineturn outline frames/ --fps 25 --json\n\nSteps: the picture dark, nothing in view, the telescope swung, lines standing still\n(with their offsets), the table turned (with the turning points), and a line moved\nwhere one line alone cannot tell whether telescope or table moved it."
    )]
    Outline(Outline),
    /// Many reductions side by side: who agrees with whom, and who stands out
    #[command(
        after_help = "Examples:\n  lineturn class results/\n  lineturn class bench-*.json --report class.html --csv class.csv\n\nA path is a result written by `lineturn reduce READINGS.csv --json > FILE`, a table of readings, or a folder:\nof a folder all results are taken, in its folders too; a folder without results gives its readings*.csv,\nwith bench.toml beside them where there is one."
    )]
    Class(Class),
    /// Renders practice footage whose answer is known
    #[command(
        after_help = "Examples:\n  lineturn practice --list\n  lineturn practice out --scenario several-lines --seed 7 --format mjpeg\n  lineturn practice lab --experiment"
    )]
    Practice(Practice),
}

#[derive(Args, Debug)]
pub(super) struct Demo {
    /// Folder into which the frames are unpacked and the report is written
    #[arg(long, value_name = "DIR", default_value = "lineturn-demo")]
    pub(super) dir: PathBuf,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Args, Debug)]
pub(super) struct Locate {
    /// Pictures: PNG, JPEG, TIFF; 8 or 16 bit; grey or colour
    #[arg(required = true, value_name = "FRAME")]
    pub(super) frames: Vec<PathBuf>,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Args, Debug)]
pub(super) struct Watch {
    /// A video file, a folder of pictures, camera:N (or camera: and its name or place), an http:// or https:// address of motion JPEG, or - for YUV4MPEG2 on standard input; several clips with --json-dir
    #[arg(required = true, value_name = "SOURCE")]
    pub(super) sources: Vec<String>,
    #[command(flatten)]
    pub(super) footage: FootageFlags,
    #[command(flatten)]
    pub(super) offsets: OffsetFlags,
    /// Writes every line of every frame as CSV
    #[arg(long, value_name = "FILE")]
    pub(super) track: Option<PathBuf>,
    /// Watches many clips and writes a document for each into this folder; clips that are done there already are not watched again
    #[arg(long, value_name = "DIR", conflicts_with_all = ["track", "record"])]
    pub(super) json_dir: Option<PathBuf>,
    /// How many clips are watched at once [default: as many as there are cores]
    #[arg(
        long,
        value_name = "N",
        requires = "json_dir",
        allow_hyphen_values = true
    )]
    pub(super) jobs: Option<usize>,
    /// Ends so many seconds after the first frame
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    pub(super) seconds: Option<f64>,
    /// Records a live source while it is measured: FILE.avi where it gives JPEG, else FILE.y4m; times go into FILE.times.csv beside it
    #[arg(long, value_name = "FILE")]
    pub(super) record: Option<PathBuf>,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) camera: CameraFlags,
}

#[derive(Args, Debug)]
pub(super) struct Outline {
    /// A video file, a folder of pictures, or - for YUV4MPEG2 on standard input
    #[arg(value_name = "CLIP")]
    pub(super) clip: String,
    #[command(flatten)]
    pub(super) footage: FootageFlags,
    #[command(flatten)]
    pub(super) offsets: OffsetFlags,
    /// Writes the steps as chapters in WebVTT, for players of the clip
    #[arg(long, value_name = "FILE.vtt")]
    pub(super) chapters: Option<PathBuf>,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Args, Debug)]
pub(super) struct Bench {
    /// A video file, a folder of pictures, camera:N (or camera: and its name or place), or an http:// or https:// address of motion JPEG; without it, clips are handed in and readings typed on the page
    #[arg(long, value_name = "SOURCE")]
    pub(super) source: Option<String>,
    /// Folder that keeps everything that is read, and the frames it rests on
    #[arg(long, value_name = "DIR", default_value = "logbook")]
    pub(super) logbook: PathBuf,
    /// Bench profile: least count, windows, prism and camera scale of one spectrometer
    #[arg(long, value_name = "FILE.toml")]
    pub(super) bench: Option<PathBuf>,
    /// Port of the page [default: 7319, or any that is free]
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub(super) port: Option<u16>,
    /// Opens the page to the local network, with a key in its address
    #[arg(long)]
    pub(super) share: bool,
    /// Prints the page's address, but does not open it
    #[arg(long)]
    pub(super) no_open: bool,
    /// Prints the page's addresses as one JSON document
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) footage: FootageFlags,
    #[command(flatten)]
    pub(super) camera: CameraFlags,
}

/// What is true of footage and not in it.
#[derive(Args, Debug)]
pub(super) struct FootageFlags {
    /// Side of the picture on which the central image lies, where it is known
    #[arg(long, value_enum, value_name = "SIDE")]
    pub(super) toward: Option<Toward>,
    /// Frames per second of a folder of pictures without times.csv
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub(super) fps: Option<f64>,
}

/// What makes angles of pixels.
#[derive(Args, Debug)]
pub(super) struct OffsetFlags {
    /// Calibration made by `lineturn scale`: gives offsets in seconds of arc
    #[arg(long, value_name = "FILE")]
    pub(super) scale: Option<PathBuf>,
    /// Bench profile: its camera scale counts where --scale is not given
    #[arg(long, value_name = "FILE.toml")]
    pub(super) bench: Option<PathBuf>,
}

#[derive(Args, Debug)]
#[command(next_help_heading = "Cameras")]
pub(super) struct CameraFlags {
    /// Mode of the camera, or a part of it: 640x480@30:YUYV, 1280x720, @25, :GREY
    #[arg(long, value_name = "MODE")]
    pub(super) mode: Option<String>,
    /// Locks the exposure at this value, in the camera's own unit (mostly 0.1 ms)
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub(super) exposure: Option<i64>,
    /// Locks the gain at this value
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub(super) gain: Option<i64>,
    /// Locks the white balance at this value, mostly kelvin
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub(super) white_balance: Option<i64>,
    /// Locks the focus at this value
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    pub(super) focus: Option<i64>,
    /// Leaves the camera's own automatic control on
    #[arg(long, conflicts_with_all = ["exposure", "gain", "white_balance", "focus"])]
    pub(super) automatic: bool,
    /// Accepts this one certificate of an https:// camera, and no other: its SHA-256 fingerprint, 64 hexadecimal digits
    #[arg(long, value_name = "FINGERPRINT")]
    pub(super) certificate: Option<String>,
}

#[derive(Args, Debug)]
pub(super) struct Cameras {
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Args, Debug)]
pub(super) struct CameraProcess {
    /// What to do, as the measuring process writes it
    pub(super) task: String,
}

#[derive(Args, Debug)]
pub(super) struct ClipProcess {
    /// What the document is made of, for the one who looks whether it is done
    #[arg(long)]
    pub(super) made_of: String,
    #[command(flatten)]
    pub(super) watch: Watch,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum Toward {
    Left,
    Right,
}

#[derive(Args, Debug)]
pub(super) struct Scale {
    /// Table with window_1, window_2 and frame or offset_px
    pub(super) readings: PathBuf,
    /// Saves the calibration, for `--scale`
    #[arg(long, value_name = "FILE")]
    pub(super) save: Option<PathBuf>,
    /// Bench profile: its least count counts where --least-count is not given
    #[arg(long, value_name = "FILE.toml")]
    pub(super) bench: Option<PathBuf>,
    /// Least count of each window, seconds of arc [default: as the readings show]
    #[arg(long, value_name = "ARCSEC", allow_hyphen_values = true)]
    pub(super) least_count: Option<f64>,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Args, Debug)]
pub(super) struct Reduce {
    /// Table of readings, one row a pointing of the telescope
    pub(super) readings: PathBuf,
    /// Calibration made by `lineturn scale`; needed where the table names footage
    #[arg(long, value_name = "FILE")]
    pub(super) scale: Option<PathBuf>,
    /// Bench profile: least count, windows, prism and camera scale of one spectrometer; a flag that is given counts instead
    #[arg(long, value_name = "FILE.toml")]
    pub(super) bench: Option<PathBuf>,
    /// Refracting angle, where the table has no rows of the two faces
    #[arg(
        long,
        value_name = "ANGLE",
        requires = "u_prism_angle",
        allow_hyphen_values = true
    )]
    pub(super) prism_angle: Option<String>,
    /// Standard uncertainty of the given refracting angle, seconds of arc
    #[arg(
        long,
        value_name = "ARCSEC",
        requires = "prism_angle",
        allow_hyphen_values = true
    )]
    pub(super) u_prism_angle: Option<f64>,
    /// Least count of each window, seconds of arc [default: as the readings show]
    #[arg(long, value_name = "ARCSEC", allow_hyphen_values = true)]
    pub(super) least_count: Option<f64>,
    /// How face-1 and face-2 were read: the two reflections with the table locked, the table's turn with the telescope locked, or autocollimation
    #[arg(
        long,
        value_name = "reflections|table-turn|autocollimation",
        default_value = "reflections"
    )]
    pub(super) faces: String,
    /// Air of the room, °C and Pa, for indices against vacuum and standard air; the relative humidity, 0 to 1, may follow
    #[arg(long, value_name = "CELSIUS,PASCAL", allow_hyphen_values = true)]
    pub(super) air: Option<String>,
    /// Standard uncertainties of the air's temperature and pressure [default: 0.5,100]
    #[arg(
        long,
        value_name = "CELSIUS,PASCAL",
        requires = "air",
        allow_hyphen_values = true
    )]
    pub(super) u_air: Option<String>,
    /// Day of the measurement, year-month-day: noted in the results, and the day for `class`
    #[arg(long, value_name = "DATE")]
    pub(super) measured_on: Option<String>,
    /// Temperature of the prism, °C: noted in the results
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    pub(super) prism_temperature: Option<f64>,
    /// Length of the prism's base that light fills, mm: for the resolving power
    #[arg(
        long,
        value_name = "MM",
        requires = "u_base_mm",
        allow_hyphen_values = true
    )]
    pub(super) base_mm: Option<f64>,
    /// Standard uncertainty of the length of the base, mm
    #[arg(
        long,
        value_name = "MM",
        requires = "base_mm",
        allow_hyphen_values = true
    )]
    pub(super) u_base_mm: Option<f64>,
    /// Dispersion formula [default: the one that promises the smallest error of n_F − n_C]
    #[arg(
        long,
        value_name = "cauchy-2|cauchy-3|cauchy-4|sellmeier-1|sellmeier-2|sellmeier-3|hartmann"
    )]
    pub(super) model: Option<String>,
    #[command(flatten)]
    pub(super) footage: FootageFlags,
    /// Checks the uncertainties by this many Monte Carlo draws
    #[arg(long, value_name = "DRAWS", allow_hyphen_values = true)]
    pub(super) monte_carlo: Option<u32>,
    /// Writes the report, as one HTML page or as PDF: the file's ending decides; may be given twice
    #[arg(long, value_name = "FILE.html|FILE.pdf")]
    pub(super) report: Vec<PathBuf>,
    /// Sheets of a PDF: a4 (210 mm by 297 mm) or letter (8.5 by 11 inches)
    #[arg(
        long,
        value_enum,
        value_name = "SHEET",
        default_value = "a4",
        hide_possible_values = true
    )]
    pub(super) paper: PaperFlag,
    /// Writes the table of lines as CSV
    #[arg(long, value_name = "FILE.csv")]
    pub(super) csv: Option<PathBuf>,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Args, Debug)]
pub(super) struct Class {
    /// Results, tables of readings, or folders of them
    #[arg(required = true, value_name = "PATH")]
    pub(super) paths: Vec<PathBuf>,
    /// Writes the comparison, as one HTML page or as PDF: the file's ending decides; may be given twice
    #[arg(long, value_name = "FILE.html|FILE.pdf")]
    pub(super) report: Vec<PathBuf>,
    /// Sheets of a PDF: a4 (210 mm by 297 mm) or letter (8.5 by 11 inches)
    #[arg(
        long,
        value_enum,
        value_name = "SHEET",
        default_value = "a4",
        hide_possible_values = true
    )]
    pub(super) paper: PaperFlag,
    /// Writes the table of benches as CSV
    #[arg(long, value_name = "FILE.csv")]
    pub(super) csv: Option<PathBuf>,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum PaperFlag {
    A4,
    Letter,
}

#[derive(Args, Debug)]
pub(super) struct Practice {
    /// Folder for the footage and its truth
    pub(super) dir: Option<PathBuf>,
    /// Which scenario; see --list
    #[arg(long, value_name = "NAME", default_value = "steady")]
    pub(super) scenario: String,
    /// A whole experiment instead of one sweep: scale, faces, lines and central images
    #[arg(long, conflicts_with = "scenario")]
    pub(super) experiment: bool,
    /// A whole demonstration in one clip, for `outline`, instead of one sweep
    #[arg(long, conflicts_with_all = ["scenario", "experiment"])]
    pub(super) demonstration: bool,
    /// Number from which everything random follows
    #[arg(
        long,
        value_name = "N",
        default_value_t = 1,
        allow_hyphen_values = true
    )]
    pub(super) seed: u64,
    /// How the frames are written
    #[arg(long, value_enum, default_value = "png")]
    pub(super) format: PracticeFormat,
    /// Lists the scenarios and does nothing else
    #[arg(long)]
    pub(super) list: bool,
    /// One JSON document on standard output
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum PracticeFormat {
    /// A folder of PNG pictures with times.csv
    Png,
    /// Motion JPEG in AVI
    Mjpeg,
    /// YUV4MPEG2
    Y4m,
    /// H.264 in MP4, through a system ffmpeg
    H264,
}
