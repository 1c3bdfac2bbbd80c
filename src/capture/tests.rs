//! Files from outside against the reference decoder.
