//! Status densities of synthetic dye spectra against published weights (`shared/data/spectral`, ANSI/ISO 5-3 products).

use glassine_film::spectral_density;
use std::path::Path;

struct Weights {
    header: Vec<String>,
    rows: Vec<Vec<f64>>,
}

impl Weights {
    fn read(path: &Path) -> Self {
        let text = std::fs::read_to_string(path).expect("the table can be read");
        let mut lines = text.lines();
        let header = lines.next().expect("a header").split(',').map(str::to_owned).collect();
        let rows =
            lines.map(|line| line.split(',').map(|cell| cell.parse().expect("a number")).collect()).collect();
        Self { header, rows }
    }

    fn density(&self, column: &str, spectrum: impl Fn(f64) -> f64) -> f64 {
        let idx = self.header.iter().position(|name| name == column).expect("a known column");
        let weights: Vec<f64> = self.rows.iter().map(|row| row[idx]).collect();
        let light: Vec<f64> = self.rows.iter().map(|row| 10_f64.powf(-spectrum(row[0]))).collect();
        spectral_density(&weights, &light).d()
    }
}

#[test]
fn status_densities_of_dyes_match_published_weights() {
    let Some(folder) = glassine_testdata::folder("spectral") else { return };
    let weights = Weights::read(&folder.join("density-weightings-10nm.csv"));
    let dye = |centre: f64, width: f64| move |nm: f64| 1.2 * (-((nm - centre) / width).powi(2)).exp();
    let (cyan, magenta, yellow) = (dye(660.0, 60.0), dye(545.0, 45.0), dye(445.0, 45.0));
    let check = |spectrum: &dyn Fn(f64) -> f64, columns: &[&str], want: &[f64]| {
        for (column, want) in columns.iter().zip(want) {
            let got = weights.density(column, spectrum);
            assert!((got - want).abs() < 6e-5, "{column}: {got} is not {want}");
        }
    };
    // Computed from the spectral products with base 0.15; see the weights' source.
    let status_m = ["status_m_red", "status_m_green", "status_m_blue", "iso_visual"];
    check(&|nm| 0.15 + cyan(nm), &status_m, &[1.2432, 0.1886, 0.1500, 0.3430]);
    check(&|nm| 0.15 + magenta(nm), &status_m, &[0.1604, 1.1572, 0.1827, 0.6075]);
    check(&|nm| 0.15 + yellow(nm), &status_m, &[0.1500, 0.1764, 1.1651, 0.1732]);
    let all = |nm: f64| 0.15 + cyan(nm) + magenta(nm) + yellow(nm);
    check(&all, &status_m, &[1.2551, 1.2502, 1.2210, 1.0792]);
    check(&all, &["status_a_red", "status_a_green", "status_a_blue"], &[1.0615, 1.2591, 1.2866]);
    let mask = |nm: f64| {
        0.10 + 0.50 * (-((nm - 520.0) / 60.0).powi(2)).exp() + 0.75 * (-((nm - 440.0) / 50.0).powi(2)).exp()
    };
    check(&mask, &status_m, &[0.1068, 0.5209, 0.9031, 0.3259]);
    check(&|_| 1.0, &status_m, &[1.0; 4]);
}
