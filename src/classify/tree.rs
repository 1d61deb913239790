//! A classification tree ready to use, and how it is saved.

use serde::{Deserialize, Serialize};

/// A share of 1 in a leaf.
pub(crate) const WHOLE: f64 = 65_535.0;

/// Marks a leaf.
pub(crate) const LEAF: u16 = u16::MAX;

/// A node; the left child follows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Node {
    /// The right child, or the number of the leaf.
    pub next: u32,
    pub feature: u16,
    /// Codes up to this one go left.
    pub code: u8,
}

/// The number of the leaf that a row of codes falls into.
pub(crate) fn descend(nodes: &[Node], codes: &[u8]) -> usize {
    let mut at = 0;
    loop {
        let node = nodes[at];
        if node.feature == LEAF {
            return node.next as usize;
        }
        at = if codes[usize::from(node.feature)] <= node.code {
            at + 1
        } else {
            node.next as usize
        };
    }
}

/// A tree ready to classify: nodes, and class shares of its leaves.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub(crate) struct Tree {
    pub nodes: Vec<Node>,
    /// Leaves x classes, of [`WHOLE`].
    pub shares: Vec<u16>,
}

impl Tree {
    /// Adds the class shares of the leaf of a row of codes to `sums`.
    pub fn add(&self, codes: &[u8], sums: &mut [u32]) {
        let leaf = descend(&self.nodes, codes) * sums.len();
        for (sum, share) in sums.iter_mut().zip(&self.shares[leaf..]) {
            *sum += u32::from(*share);
        }
    }

    /// Whether it can classify rows of `features` codes into `classes` without going astray.
    pub fn fits(&self, features: usize, classes: usize) -> bool {
        let leaves = self.shares.len() / classes;
        !self.nodes.is_empty()
            && self.nodes.iter().enumerate().all(|(at, node)| {
                if node.feature == LEAF {
                    (node.next as usize) < leaves
                } else {
                    usize::from(node.feature) < features
                        && node.next as usize > at + 1
                        && (node.next as usize) < self.nodes.len()
                }
            })
    }
}

/// A tree as it is saved: hexadecimal, 7 bytes a node (child or leaf number in 4, feature in 2,
/// code in 1) and 2 bytes a share, the most significant byte first.
#[derive(Serialize, Deserialize)]
struct Written {
    nodes: String,
    shares: String,
}

impl From<Tree> for Written {
    fn from(tree: Tree) -> Self {
        let nodes = tree.nodes.iter();
        Written {
            nodes: nodes
                .map(|n| format!("{:08x}{:04x}{:02x}", n.next, n.feature, n.code))
                .collect(),
            shares: tree.shares.iter().map(|s| format!("{s:04x}")).collect(),
        }
    }
}

impl TryFrom<Written> for Tree {
    type Error = String;

    fn try_from(written: Written) -> Result<Self, String> {
        let number = |text: &str, from: usize, digits: usize| {
            text.get(from..from + digits)
                .and_then(|t| u32::from_str_radix(t, 16).ok())
                .ok_or_else(|| {
                    format!("a tree is not written in hexadecimal near character {from}")
                })
        };
        let nodes = (0..written.nodes.len() / 14).map(|i| {
            let at = 14 * i;
            Ok(Node {
                next: number(&written.nodes, at, 8)?,
                feature: number(&written.nodes, at + 8, 4)? as u16,
                code: number(&written.nodes, at + 12, 2)? as u8,
            })
        });
        let nodes: Result<Vec<Node>, String> = nodes.collect();
        let shares =
            (0..written.shares.len() / 4).map(|i| Ok(number(&written.shares, 4 * i, 4)? as u16));
        Ok(Tree {
            nodes: nodes?,
            shares: shares.collect::<Result<_, String>>()?,
        })
    }
}
