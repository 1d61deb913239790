use boneglow::classify::*;
use boneglow::evaluation::*;
use boneglow::features::Dataset;
use boneglow::numeric::{Stream, stream};
use ndarray::Array2;
use rand::RngExt;
use rayon::prelude::*;

fn normal(r: &mut Stream) -> f64 {
    let u: f64 = r.random::<f64>().max(1e-300);
    let v: f64 = r.random();
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}
const MEANS: [[f64; 3]; 5] = [
    [0.200, 0.500, -0.9], // bone
    [0.190, 0.478, -1.2], // calcite
    [0.215, 0.520, -1.0], // lichen
    [0.185, 0.455, -1.5], // matrix
    [0.170, 0.490, -1.1], // opal
];
const SHARE: [f64; 5] = [0.0, 0.15, 0.1, 0.6, 0.15];
pub struct Setup {
    pub sites: usize,
    pub per: usize,
    pub odd: f64,
    pub site_sd: f64,
}
/// ledger sites; bone share of each site and class shifts random.
pub fn patches(
    r: &mut Stream,
    s: &Setup,
    sites: usize,
    per: usize,
    rich: f64,
) -> Vec<(usize, usize, [f64; 3])> {
    let mut out = vec![];
    for g in 0..sites {
        let odd = r.random::<f64>() < s.odd;
        let share = (rich * (0.7 * normal(r)).exp() * if odd { 4.0 } else { 1.0 }).min(0.8);
        let common: [f64; 3] =
            std::array::from_fn(|i| s.site_sd * [0.008, 0.008, 0.25][i] * normal(r));
        let shifts: Vec<[f64; 3]> = (0..5)
            .map(|_| {
                std::array::from_fn(|i| common[i] + s.site_sd * [0.006, 0.006, 0.15][i] * normal(r))
            })
            .collect();
        let mut mix: Vec<f64> = (0..5)
            .map(|k| {
                if k == 0 {
                    0.0
                } else {
                    SHARE[k] * (0.6 * normal(r)).exp()
                }
            })
            .collect();
        let sum: f64 = mix.iter().sum();
        mix.iter_mut().for_each(|m| *m *= (1.0 - share) / sum);
        mix[0] = share;
        let n = (per as f64 * (0.4 * normal(r)).exp()).round().max(8.0) as usize;
        for _ in 0..n {
            let mut t: f64 = r.random();
            let mut k = 0;
            while k < 4 && t > mix[k] {
                t -= mix[k];
                k += 1;
            }
            let mut x: [f64; 3] = std::array::from_fn(|i| {
                MEANS[k][i] + shifts[k][i] + [0.010, 0.010, 0.22][i] * normal(r)
            });
            if odd && k == 0 {
                x[1] -= 0.012;
                x[2] -= 0.3;
            }
            out.push((g, k, x));
        }
    }
    out
}
pub fn dataset(rows: &[(usize, usize, [f64; 3])]) -> Dataset {
    let g = rows.iter().map(|r| r.0).max().unwrap() + 1;
    Dataset {
        ids: (0..rows.len()).map(|i| i.to_string()).collect(),
        feature_names: ["u", "v", "log_luminance"].map(String::from).to_vec(),
        features: Array2::from_shape_fn((rows.len(), 3), |(i, j)| rows[i].2[j]),
        covariance: vec![[[0.0; 3]; 3]; rows.len()],
        labels: rows.iter().map(|r| r.1).collect(),
        classes: ["bone", "calcite", "lichen", "matrix", "opal"]
            .map(String::from)
            .to_vec(),
        positive: vec![true, false, false, false, false],
        groups: rows.iter().map(|r| r.0).collect(),
        group_names: (0..g).map(|i| format!("{i:02}")).collect(),
        weights: vec![1.0; rows.len()],
    }
}
fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-9, 1.0 - 1e-9);
    (p / (1.0 - p)).ln()
}
fn expit(z: f64) -> f64 {
    1.0 / (1.0 + (-z).exp())
}
/// sorted desc (p, pos, w, g)
fn cost_at(c: &[(f64, bool, f64, usize)], cut: f64, pi: f64, m: f64, times: Option<&[f64]>) -> f64 {
    let (mut a, mut b) = ([0.0; 2], [0.0; 2]);
    for x in c {
        let w = x.2 * times.map_or(1.0, |t| t[x.3]);
        let s = x.1 as usize;
        a[s] += w;
        if x.0 >= cut {
            b[s] += w;
        }
    }
    pi * m * (1.0 - b[1] / a[1]) + (1.0 - pi) * b[0] / a[0]
}
fn best(
    c: &[(f64, bool, f64, usize)],
    pi: f64,
    m: f64,
    times: Option<&[f64]>,
) -> Option<(f64, f64)> {
    let mut a = [0.0; 2];
    let w = |x: &(f64, bool, f64, usize)| x.2 * times.map_or(1.0, |t| t[x.3]);
    for x in c {
        a[x.1 as usize] += w(x);
    }
    if a[0] <= 0.0 || a[1] <= 0.0 {
        return None;
    }
    let mut b = [0.0; 2];
    let mut best = (1.0, pi * m);
    for (i, x) in c.iter().enumerate() {
        b[x.1 as usize] += w(x);
        if i + 1 == c.len() || c[i + 1].0 < x.0 {
            let k = pi * m * (1.0 - b[1] / a[1]) + (1.0 - pi) * b[0] / a[0];
            let nx = c.get(i + 1).map_or(0.0, |y| y.0);
            if k < best.1 {
                best = (expit((logit(x.0) + logit(nx)) / 2.0), k);
            }
        }
    }
    Some(best)
}
/// weighted logistic y ~ a + b z
fn platt(c: &[(f64, bool, f64, usize)], wt: impl Fn(usize) -> f64, ridge: f64) -> (f64, f64) {
    let (mut a, mut b) = (0.0, 1.0);
    for _ in 0..30 {
        let (mut g0, mut g1, mut h00, mut h01, mut h11) = (0.0, ridge * (1.0 - b), 0.0, 0.0, ridge);
        for (i, x) in c.iter().enumerate() {
            let z = logit(x.0);
            let w = wt(i);
            let p = expit(a + b * z);
            let r = w * (x.1 as u8 as f64 - p);
            let v = w * p * (1.0 - p);
            g0 += r;
            g1 += r * z;
            h00 += v;
            h01 += v * z;
            h11 += v * z * z;
        }
        let d = h00 * h11 - h01 * h01 + 1e-12;
        a += ((h11 * g0 - h01 * g1) / d).clamp(-3.0, 3.0);
        b += ((h00 * g1 - h01 * g0) / d).clamp(-3.0, 3.0);
    }
    (a, b.max(0.05))
}
fn main() {
    for (label, sites, per, odd, sd, pi, m, method) in [
        ("12 sites", 12, 60, 0.15, 1.0, 0.02, 50.0, Method::Logistic),
        ("20 sites", 20, 60, 0.15, 1.0, 0.02, 50.0, Method::Logistic),
        (
            "12 discr",
            12,
            60,
            0.15,
            1.0,
            0.02,
            50.0,
            Method::Discriminant,
        ),
        (
            "12 pi .01 m 200",
            12,
            60,
            0.15,
            1.0,
            0.01,
            200.0,
            Method::Logistic,
        ),
        (
            "12 pi .05 m 10",
            12,
            60,
            0.15,
            1.0,
            0.05,
            10.0,
            Method::Logistic,
        ),
        ("8 odd .3", 8, 60, 0.3, 1.3, 0.02, 50.0, Method::Logistic),
    ] {
        let seasons = 60;
        let setup = Setup {
            sites,
            per,
            odd,
            site_sd: sd,
        };
        let names = [
            "empirical",
            "bagged",
            "ratio",
            "platt",
            "bag platt",
            "bag+ratio",
            "mean b+r+p",
            "groupmean",
            "cvcost",
            "smooth",
        ];
        let res: Vec<Vec<f64>> = (0..seasons)
            .into_par_iter()
            .map(|k| {
                let mut r = stream(7, "sim", k);
                let data = dataset(&patches(&mut r, &setup, sites, per, 0.12));
                let recipe = Recipe::tuned(method);
                let inside = Inside {
                    balance_classes: false,
                    nested: true,
                    seed: 1,
                };
                let folds = Folds::by_group(&data.groups).unwrap();
                let oog = &cross_validate(&data, &[recipe.clone()], &folds, inside, None, &|_| ())
                    .unwrap()[0];
                let mut model = train(&data, &recipe, &folds, inside, 0.01).unwrap();
                model.adjust_prior(pi).unwrap();
                let new = dataset(&patches(&mut r, &setup, 300, 100, 0.12));
                let p = model.probabilities(new.features.view());
                let mut truth: Vec<(f64, bool, f64, usize)> = (0..new.len())
                    .map(|i| (p[(i, 0)], new.is_positive(i), 1.0, new.groups[i]))
                    .collect();
                truth.sort_by(|a, b| b.0.total_cmp(&a.0));
                let hind = best(&truth, pi, m, None).unwrap();
                let q = oog.p_positive_at(pi);
                let mut c: Vec<(f64, bool, f64, usize)> = (0..data.len())
                    .map(|i| (q[i], data.is_positive(i), 1.0, data.groups[i]))
                    .collect();
                c.sort_by(|a, b| b.0.total_cmp(&a.0));
                let g = data.group_names.len();
                let ratio = 1.0 / (1.0 + m);
                let emp = best(&c, pi, m, None).unwrap().0;
                let boots: Vec<Vec<f64>> = (0..300)
                    .map(|b| {
                        let mut r = stream(k, "boot", b);
                        let mut t = vec![0.0; g];
                        for _ in 0..g {
                            t[r.random_range(0..g)] += 1.0;
                        }
                        t
                    })
                    .collect();
                let bag: Vec<f64> = boots
                    .iter()
                    .filter_map(|t| best(&c, pi, m, Some(t)).map(|x| logit(x.0)))
                    .collect();
                let bagged = expit(bag.iter().sum::<f64>() / bag.len() as f64);
                // Platt at field prior: weights to make positives share pi
                let np = c.iter().filter(|x| x.1).count() as f64;
                let nn = c.len() as f64 - np;
                let n = c.len() as f64;
                let pl = |t: Option<&Vec<f64>>| {
                    // balanced fit on z relative to prior: use logit p - logit pi, weights equal classes
                    let cc: Vec<(f64, bool, f64, usize)> = c
                        .iter()
                        .map(|x| (expit(logit(x.0) - logit(pi)), x.1, x.2, x.3))
                        .collect();
                    let (a, b) = platt(
                        &cc,
                        |i| {
                            (if c[i].1 { 0.5 / np } else { 0.5 / nn })
                                * n
                                * t.map_or(1.0, |t| t[c[i].3])
                        },
                        2.0,
                    );
                    // want a + b z = logit(ratio) - logit(pi)
                    expit((logit(ratio) - logit(pi) - a) / b + logit(pi))
                };
                let platt1 = pl(None);
                let bp: Vec<f64> = boots.iter().take(40).map(|t| logit(pl(Some(t)))).collect();
                let bagplatt = expit(bp.iter().sum::<f64>() / bp.len() as f64);
                let br = expit((logit(bagged) + logit(ratio)) / 2.0);
                let mean3 = expit((logit(bagged) + logit(ratio) + logit(platt1)) / 3.0);
                // each group equal: weights per group scaled within side?
                let mut gp = vec![[0.0f64; 2]; g];
                for x in &c {
                    gp[x.3][x.1 as usize] += 1.0;
                }
                // dampened positives: sqrt counts
                let damp: Vec<(f64, bool, f64, usize)> = c
                    .iter()
                    .map(|x| (x.0, x.1, 1.0 / gp[x.3][x.1 as usize].sqrt(), x.3))
                    .collect();
                let db: Vec<f64> = boots
                    .iter()
                    .filter_map(|t| best(&damp, pi, m, Some(t)).map(|x| logit(x.0)))
                    .collect();
                let gm = expit(db.iter().sum::<f64>() / db.len() as f64);
                // cv cost: choose among {ratio, bagged, platt} by empirical cost
                let cv = [ratio, bagged, platt1]
                    .into_iter()
                    .min_by(|a, b| {
                        cost_at(&c, *a, pi, m, None).total_cmp(&cost_at(&c, *b, pi, m, None))
                    })
                    .unwrap();
                // smoothed: kernel in logit, bandwidth 0.5: minimise smoothed cost on grid
                let grid: Vec<f64> = (0..161).map(|i| -8.0 + i as f64 * 0.1).collect();
                let h = 0.7;
                let cs: Vec<f64> = grid
                    .iter()
                    .map(|&t| {
                        let (mut a, mut b) = ([0.0; 2], [0.0; 2]);
                        for x in &c {
                            let s = x.1 as usize;
                            a[s] += x.2;
                            b[s] += x.2 * expit((logit(x.0) - t) / h * 1.7);
                        }
                        pi * m * (1.0 - b[1] / a[1]) + (1.0 - pi) * b[0] / a[0]
                    })
                    .collect();
                let i = (0..grid.len())
                    .min_by(|a, b| cs[*a].total_cmp(&cs[*b]))
                    .unwrap();
                let smooth = expit(grid[i]);
                [
                    emp, bagged, ratio, platt1, bagplatt, br, mean3, gm, cv, smooth,
                ]
                .iter()
                .map(|cut| cost_at(&truth, *cut, pi, m, None) / hind.1)
                .collect()
            })
            .collect();
        println!("== {label}");
        for (j, n) in names.iter().enumerate() {
            let mut v: Vec<f64> = res.iter().map(|r| r[j]).collect();
            v.sort_by(f64::total_cmp);
            println!(
                "  {n:12} median {:.3} 90% {:.3} worst {:.3} mean {:.3}",
                v[seasons as usize / 2],
                v[(seasons as f64 * 0.9) as usize],
                v[v.len() - 1],
                v.iter().sum::<f64>() / v.len() as f64
            );
        }
    }
}
