# Makes the series of this folder and what two independent programs say of them. Debian packages r-bioc-dnacopy 1.72.3
# (circular binary segmentation: Venkatraman & Olshen, Bioinformatics 23 (2007) 657) and r-cran-segmented 1.6-2 (broken
# lines: Muggeo, Statistics in Medicine 22 (2003) 3055):
#
#   Rscript make_peers.R FOLDER
#
# The series are synthetic, made here, and free to use. Run with R 4.2.2.
suppressMessages({ library(DNAcopy); library(segmented) })
folder <- commandArgs(trailingOnly = TRUE)[1]
set.seed(20260127)

put <- function(name, what, x, y) {
  file <- file.path(folder, name)
  cat("# origin: made by make_peers.R; synthetic, free to use\n# what:", what, "\n", file = file, sep = "")
  cat("time,power_w\n", file = file, append = TRUE)
  cat(sprintf("%g,%.2f\n", x, y), file = file, append = TRUE, sep = "")
  round(y, 2)
}

say <- function(...) cat(..., "\n", file = file.path(folder, "answers.txt"), append = TRUE)
cat("# origin: made by make_peers.R, free to use: what DNAcopy and segmented say of the series beside this file\n",
    file = file.path(folder, "answers.txt"))

# Steps: six levels, white noise.
level <- rep(c(8, 24, 8.6, 31, 12, 8), c(120, 90, 150, 60, 110, 100))
y <- put("steps.csv", "levels 8, 24, 8.6, 31, 12, 8 W from 0, 120, 210, 360, 420, 530 s; white noise of 0.25 W",
         seq_along(level) - 1, level + rnorm(length(level), 0, 0.25))
found <- segment(CNA(y, rep(1, length(y)), seq_along(y) - 1), verbose = 0)
say("steps", found$output$loc.start[-1])

# A close step: 2 deviations, found by its length.
level <- rep(c(20, 20.8), c(140, 160))
y <- put("close_step.csv", "20 W, from 140 s 20.8 W; white noise of 0.4 W", seq_along(level) - 1,
         level + rnorm(length(level), 0, 0.4))
found <- segment(CNA(y, rep(1, length(y)), seq_along(y) - 1), verbose = 0)
say("close_step", found$output$loc.start[-1])

# One bend, both lines free.
x <- 0:99
y <- put("bend.csv", "10 W + 0.02 W/s, from 61.3 s 0.35 W/s steeper; white noise of 0.3 W", x,
         10 + 0.02 * x + 0.35 * pmax(0, x - 61.3) + rnorm(100, 0, 0.3))
fit <- segmented(lm(y ~ x), seg.Z = ~x, psi = 50, control = seg.control(tol = 1e-12, it.max = 500))
say("bend", sprintf("%.5f", c(fit$psi[, "Est."], fit$psi[, "St.Err"], slope(fit)$x[, "Est."])))

# A ramp between two levels.
x <- 0:399
y <- put("ramp.csv", "12 W, from 150.4 to 231.7 s a ramp, 40 W; white noise of 0.2 W", x,
         12 + 28 * pmin(1, pmax(0, (x - 150.4) / (231.7 - 150.4))) + rnorm(400, 0, 0.2))
fit <- segmented(lm(y ~ x), seg.Z = ~x, psi = c(140, 240), control = seg.control(tol = 1e-12, it.max = 500))
say("ramp", sprintf("%.5f", c(fit$psi[, "Est."], fit$psi[, "St.Err"], slope(fit)$x[, "Est."])))
