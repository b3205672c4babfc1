# Reference values for random-effects synthesis.
# Rscript synthesis.R   (in this directory; writes synthesis.json)
library(metafor)
library(jsonlite)
sets <- list(
  plain = list(y = c(.9, .4, .7, .1, .6), v = c(.04, .05, .02, .06, .03)),
  equal = list(y = c(.5, .52, .49, .51), v = c(.04, .05, .02, .06)),
  spread = list(y = c(-2, 3, .5, 1.5, 8, -1, 2.2, .1), v = c(.2, 1, .05, .3, 2, .4, .1, .6)),
  two = list(y = c(.2, 1.4), v = c(.1, .2))
)
groups <- c("north", "north", "south", "south", "south", "north", "south", "north")
out <- lapply(names(sets), function(name) {
  s <- sets[[name]]
  fit <- rma(s$y, s$v, method = "REML", test = "knha", control = list(threshold = 1e-12, maxiter = 1000))
  list(set = name, y = I(s$y), v = I(s$v), mean = as.numeric(fit$b), se = fit$se, p = fit$pval, low = fit$ci.lb,
       high = fit$ci.ub, tau2 = fit$tau2, i2 = fit$I2, q = fit$QE, q_p = fit$QEp)
})
s <- sets$spread
fit <- rma(s$y, s$v, mods = ~ groups, method = "REML", test = "knha",
           control = list(threshold = 1e-12, maxiter = 1000))
between <- list(groups = I(groups), f = fit$QM, p = fit$QMp, tau2 = fit$tau2)
about <- list(R = R.version.string, metafor = as.character(packageVersion("metafor")),
              date = as.character(Sys.Date()))
write_json(list(about = about, sets = out, between = between), "synthesis.json", digits = 15,
           auto_unbox = TRUE, pretty = TRUE)
