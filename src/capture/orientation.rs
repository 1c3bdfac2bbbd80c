//! How a stored picture is turned for showing: the tag of EXIF and the matrix of MP4 in one.

use crate::basics::frame::Frame;

/// The shown picture is the stored one, transposed if `transposed`, then mirrored.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Orientation {
    /// Rows become columns, before the mirrors.
    pub(super) transposed: bool,
    /// Columns of the shown picture run backwards.
    pub(super) flip_x: bool,
    /// Rows of the shown picture run backwards.
    pub(super) flip_y: bool,
}

impl Orientation {
    /// From the value of the tag Orientation (TIFF 6.0 and EXIF 2.32, tag 274).
    pub(super) fn from_exif(value: u8) -> Self {
        let (transposed, flip_x, flip_y) = match value {
            2 => (false, true, false),
            3 => (false, true, true),
            4 => (false, false, true),
            5 => (true, false, false),
            6 => (true, true, false),
            7 => (true, true, true),
            8 => (true, false, true),
            _ => (false, false, false),
        };
        Self {
            transposed,
            flip_x,
            flip_y,
        }
    }

    /// From the four turning members of a track's matrix (ISO/IEC 14496-12, 8.3.2):
    /// `x' = a x + c y`, `y' = b x + d y`. `None` where it is no turn by quarters.
    pub(super) fn from_matrix(a: i32, b: i32, c: i32, d: i32) -> Option<Self> {
        if b == 0 && c == 0 && a != 0 && d != 0 {
            Some(Self {
                transposed: false,
                flip_x: a < 0,
                flip_y: d < 0,
            })
        } else if a == 0 && d == 0 && b != 0 && c != 0 {
            Some(Self {
                transposed: true,
                flip_x: c < 0,
                flip_y: b < 0,
            })
        } else {
            None
        }
    }

    /// Width and height as shown of a picture stored with these.
    pub(super) fn shown(self, width: usize, height: usize) -> (usize, usize) {
        if self.transposed {
            (height, width)
        } else {
            (width, height)
        }
    }

    /// Writes stored samples (row by row, `width * height` of them) into a frame as they are shown.
    pub(super) fn write<T: Copy>(
        self,
        stored: &[T],
        level: impl Fn(T) -> u16,
        width: usize,
        height: usize,
        frame: &mut Frame,
    ) {
        let (columns, rows) = self.shown(width, height);
        frame.resize(columns, rows);
        let Some(out) = frame.levels.as_slice_mut() else {
            return;
        };
        if self == Self::default() {
            for (to, &from) in out.iter_mut().zip(stored) {
                *to = level(from);
            }
            return;
        }
        if width == 0 || height == 0 {
            return;
        }
        let flipped = |at: usize, size: usize, flip: bool| if flip { size - 1 - at } else { at };
        if self.transposed {
            // In tiles, so that rows read across and rows written along stay in the fastest memory.
            for (band, strip) in out.chunks_mut(TILE * columns).enumerate() {
                for left in (0..columns).step_by(TILE) {
                    for (row, to) in strip.chunks_exact_mut(columns).enumerate() {
                        let x = flipped(band * TILE + row, rows, self.flip_y);
                        for (column, to) in to.iter_mut().enumerate().skip(left).take(TILE) {
                            let y = flipped(column, columns, self.flip_x);
                            if let Some(&from) = stored.get(y * width + x) {
                                *to = level(from);
                            }
                        }
                    }
                }
            }
            return;
        }
        for (row, to) in out.chunks_exact_mut(columns).enumerate() {
            let y = flipped(row, rows, self.flip_y);
            let from = stored.get(y * width..(y + 1) * width).unwrap_or_default();
            if self.flip_x {
                for (to, &from) in to.iter_mut().zip(from.iter().rev()) {
                    *to = level(from);
                }
            } else {
                for (to, &from) in to.iter_mut().zip(from) {
                    *to = level(from);
                }
            }
        }
    }
}

/// Rows and columns that are turned at once.
const TILE: usize = 32;

#[cfg(test)]
mod tests {
    use super::*;

    fn turned(o: Orientation) -> Vec<Vec<u16>> {
        let mut frame = Frame::empty();
        o.write(&[1_u16, 2, 3, 4, 5, 6], |l| l, 3, 2, &mut frame);
        frame.levels.outer_iter().map(|row| row.to_vec()).collect()
    }

    /// The eight values as EXIF 2.32 describes where row 0 and column 0 of the stored picture lie.
    #[test]
    fn exif_values() {
        let expected: [&[&[u16]]; 8] = [
            &[&[1, 2, 3], &[4, 5, 6]],
            &[&[3, 2, 1], &[6, 5, 4]],
            &[&[6, 5, 4], &[3, 2, 1]],
            &[&[4, 5, 6], &[1, 2, 3]],
            &[&[1, 4], &[2, 5], &[3, 6]],
            &[&[4, 1], &[5, 2], &[6, 3]],
            &[&[6, 3], &[5, 2], &[4, 1]],
            &[&[3, 6], &[2, 5], &[1, 4]],
        ];
        for (value, rows) in (1..).zip(expected) {
            assert_eq!(turned(Orientation::from_exif(value)), rows, "value {value}");
        }
    }

    /// Larger than a tile, and no multiple of one: every sample lands where the small ones say.
    #[test]
    fn large_pictures() {
        let (width, height) = (77, 45);
        let stored: Vec<u16> = (0..width * height).map(|n| n as u16).collect();
        for value in 1..=8 {
            let turn = Orientation::from_exif(value);
            let (columns, rows) = turn.shown(width, height);
            let mut frame = Frame::empty();
            turn.write(&stored, |l| l, width, height, &mut frame);
            assert_eq!((frame.width(), frame.height()), (columns, rows));
            for (n, &level) in stored.iter().enumerate() {
                let (x, y) = (n % width, n / width);
                let (mut column, mut row) = if turn.transposed { (y, x) } else { (x, y) };
                if turn.flip_x {
                    column = columns - 1 - column;
                }
                if turn.flip_y {
                    row = rows - 1 - row;
                }
                assert_eq!(frame.levels[[row, column]], level, "value {value}");
            }
        }
    }

    /// 16.16 fixed point; a quarter turn clockwise sends the stored top left to the top right.
    #[test]
    fn track_matrix() {
        let one = 1 << 16;
        assert_eq!(
            Orientation::from_matrix(one, 0, 0, one),
            Some(Orientation::default())
        );
        assert_eq!(
            Orientation::from_matrix(0, one, -one, 0),
            Some(Orientation::from_exif(6))
        );
        assert_eq!(
            Orientation::from_matrix(-one, 0, 0, -one),
            Some(Orientation::from_exif(3))
        );
        assert_eq!(
            Orientation::from_matrix(0, -one, one, 0),
            Some(Orientation::from_exif(8))
        );
        assert_eq!(Orientation::from_matrix(one, one, -one, one), None);
    }
}
