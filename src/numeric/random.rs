//! Random streams that do not depend on the order or the thread in which work is done.

use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;

/// A generator whose numbers depend only on what [`stream`] was given.
pub type Stream = ChaCha12Rng;

/// The stream for one piece of work: the season's seed, the name of the job, the piece's number.
///
/// Pieces may run on any number of threads in any order and still draw the same numbers.
///
/// ```
/// use rand::Rng;
/// let mut first = boneglow::numeric::stream(1, "bootstrap", 7);
/// let mut again = boneglow::numeric::stream(1, "bootstrap", 7);
/// assert_eq!(first.next_u64(), again.next_u64());
/// ```
pub fn stream(seed: u64, job: &str, piece: u64) -> Stream {
    // FNV-1a: a fixed hash of the job's name (the standard library's may change between releases).
    let job = job.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    let mut rng = ChaCha12Rng::seed_from_u64(seed ^ job.rotate_left(17));
    rng.set_stream(piece);
    rng
}
