# Reference values for two-level models, independent and AR(1) errors.
# Rscript two_level.R   (in this directory; writes two_level_cases.csv and two_level.json)
library(nlme)
library(lme4)
library(lmerTest)
library(jsonlite)
set.seed(20260902)

cases <- NULL
for (i in 1:6) {
  times <- if (i <= 3) 1:24 else sort(sample(1:40, 20))
  start <- 6 + i
  exposure <- as.numeric(seq_along(times) > start)
  e <- rnorm(1)
  for (g in diff(times)) e <- c(e, 0.5^g * tail(e, 1) + sqrt(1 - 0.25^g) * rnorm(1))
  rating <- 7 + rnorm(1) + exposure * (-2 + 0.6 * rnorm(1)) + 1.2 * e
  cases <- rbind(cases, data.frame(case = i, time = times, exposure = exposure, rating = round(rating, 2)))
}
write.csv(cases, "two_level_cases.csv", row.names = FALSE)

out <- list()
keep <- function(label, log_likelihood, beta, se, variances, sigma, phi = NA, df = NA) {
  out[[length(out) + 1]] <<- list(
    fit = label, log_likelihood = as.numeric(log_likelihood), coefficients = I(as.numeric(beta)),
    standard_errors = I(as.numeric(se)), random_covariance = I(as.numeric(variances)), sigma = sigma,
    phi = phi, df = I(as.numeric(df))
  )
}
lme_keep <- function(label, fit) {
  phi <- NA
  if (!is.null(fit$modelStruct$corStruct)) phi <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
  keep(label, logLik(fit), fixef(fit), sqrt(diag(vcov(fit))), getVarCov(fit), fit$sigma, as.numeric(phi))
}
lmer_keep <- function(label, fit) {
  df <- if (isREML(fit)) coef(summary(fit, ddf = "Satterthwaite"))[, "df"] else NA
  keep(label, logLik(fit), fixef(fit), sqrt(diag(as.matrix(vcov(fit)))), as.matrix(VarCorr(fit)[[1]]),
       sigma(fit), NA, df)
}
tight <- lmeControl(msTol = 1e-12, tolerance = 1e-10, msMaxIter = 1000, maxIter = 1000, niterEM = 100)
for (method in c("REML", "ML")) {
  lme_keep(paste("cases intercept corCAR1", method),
    lme(rating ~ exposure, cases, ~ 1 | case, corCAR1(0.3, form = ~ time | case), method = method,
        control = tight))
  # nlminb gives up here; optim reaches the same optimum from its defaults.
  lme_keep(paste("cases intercept and change corCAR1", method),
    lme(rating ~ exposure, cases, ~ exposure | case, corCAR1(0.3, form = ~ time | case), method = method,
        control = lmeControl(opt = "optim", msMaxIter = 1000)))
  lme_keep(paste("cases intercept and change independent", method),
    lme(rating ~ exposure, cases, ~ exposure | case, method = method, control = tight))
  lme_keep(paste("cases diagonal independent", method),
    lme(rating ~ exposure, cases, list(case = pdDiag(~ exposure)), method = method, control = tight))
  lme_keep(paste("Orthodont intercept corAR1", method),
    lme(distance ~ age, Orthodont, ~ 1 | Subject, corAR1(0.2, form = ~ 1 | Subject), method = method,
        control = tight))
}
tighter <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 2e-4, rhoend = 1e-9, maxfun = 1e5))
for (reml in c(TRUE, FALSE)) {
  method <- if (reml) "REML" else "ML"
  lmer_keep(paste("sleepstudy slope lmer", method),
    lmer(Reaction ~ Days + (Days | Subject), sleepstudy, REML = reml, control = tighter))
  lmer_keep(paste("sleepstudy intercept lmer", method),
    lmer(Reaction ~ Days + (1 | Subject), sleepstudy, REML = reml, control = tighter))
  lmer_keep(paste("Orthodont sex lmer", method),
    lmer(distance ~ age * Sex + (1 | Subject), Orthodont, REML = reml, control = tighter))
  lmer_keep(paste("Orthodont sex slope lmer", method),
    lmer(distance ~ age * Sex + (age | Subject), Orthodont, REML = reml, control = tighter))
  lmer_keep(paste("cases slope lmer", method),
    lmer(rating ~ exposure + (exposure | case), cases, REML = reml, control = tighter))
}
sleepstudy$trt <- as.numeric(sleepstudy$Days >= 3)
fit <- lme(Reaction ~ trt, sleepstudy, ~ 1 | Subject, control = tight)
lme_keep("sleepstudy phase independent REML", fit)
fit <- lme(Reaction ~ trt, sleepstudy, ~ 1 | Subject, corAR1(0.3, form = ~ Days | Subject), control = tight)
lme_keep("sleepstudy phase corAR1 REML", fit)
about <- list(
  R = R.version.string, nlme = as.character(packageVersion("nlme")),
  lme4 = as.character(packageVersion("lme4")), lmerTest = as.character(packageVersion("lmerTest")),
  date = as.character(Sys.Date())
)
write_json(list(about = about, fits = out), "two_level.json", digits = 15, auto_unbox = TRUE, pretty = TRUE)
