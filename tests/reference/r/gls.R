# Reference values for regression with AR(1) and continuous-time AR(1) errors.
# Rscript gls.R   (in this directory; writes gls_series.csv and gls.json)
library(nlme)
library(jsonlite)
set.seed(20260901)

ar1 <- function(gaps, phi) {
  e <- rnorm(1)
  for (g in gaps) {
    r <- phi^g
    e <- c(e, r * tail(e, 1) + sqrt(1 - r^2) * rnorm(1))
  }
  e
}
make <- function(name, times, n_a, phi) {
  d <- as.numeric(seq_along(times) > n_a)
  y <- round(8 - 0.03 * times + d * (-1 - 0.1 * (times - times[n_a + 1])) + 1.4 * ar1(diff(times), phi))
  data.frame(series = name, time = times, exposure = d, rating = y)
}
weekly <- make("weekly", 1:28, 8, 0.5)
missed <- make("missed", setdiff(1:34, c(3, 9, 10, 17, 25, 26, 27, 31)), 7, 0.6)
daily <- make("daily", sort(sample(1:120, 26)), 9, 0.9)
white <- make("white", 1:24, 8, 0)
series <- rbind(weekly, missed, daily, white)
write.csv(series, "gls_series.csv", row.names = FALSE)

describe <- function(fit, label) {
  table <- summary(fit)$tTable
  phi <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
  list(
    fit = label,
    log_likelihood = as.numeric(logLik(fit)), phi = as.numeric(phi), sigma = fit$sigma,
    coefficients = I(as.numeric(table[, "Value"])), standard_errors = I(as.numeric(table[, "Std.Error"])),
    t = I(as.numeric(table[, "t-value"])), p = I(as.numeric(table[, "p-value"]))
  )
}
tight <- glsControl(msTol = 1e-10, tolerance = 1e-10, msMaxIter = 500, maxIter = 500)
out <- list()
for (name in unique(series$series)) {
  one <- series[series$series == name, ]
  one$since <- one$time - min(one$time)
  one$within <- one$exposure * (one$time - min(one$time[one$exposure == 1]))
  for (method in c("REML", "ML")) {
    fit <- gls(rating ~ since + exposure + within, one, correlation = corCAR1(0.3, form = ~time),
               method = method, control = tight)
    out[[length(out) + 1]] <- describe(fit, paste(name, "corCAR1", method))
    if (all(diff(one$time) == 1)) {
      fit <- gls(rating ~ since + exposure + within, one, correlation = corAR1(0.3, form = ~time),
                 method = method, control = tight)
      out[[length(out) + 1]] <- describe(fit, paste(name, "corAR1", method))
    }
    fit <- gls(rating ~ exposure, one, correlation = corCAR1(0.3, form = ~time), method = method,
               control = tight)
    out[[length(out) + 1]] <- describe(fit, paste(name, "mean", "corCAR1", method))
  }
}
nile <- data.frame(year = 1871:1970, flow = as.numeric(Nile))
nile$after <- as.numeric(nile$year >= 1899)
for (method in c("REML", "ML")) {
  fit <- gls(flow ~ after, nile, correlation = corAR1(form = ~year), method = method, control = tight)
  out[[length(out) + 1]] <- describe(fit, paste("Nile corAR1", method))
}
hormone <- data.frame(time = 1:48, level = as.numeric(lh))
for (method in c("REML", "ML")) {
  fit <- gls(level ~ 1, hormone, correlation = corAR1(form = ~time), method = method, control = tight)
  out[[length(out) + 1]] <- describe(fit, paste("lh corAR1", method))
}
about <- list(
  R = R.version.string, nlme = as.character(packageVersion("nlme")), date = as.character(Sys.Date())
)
write_json(list(about = about, fits = out), "gls.json", digits = 15, auto_unbox = TRUE, pretty = TRUE)
