/* integrand: the density that is integrated over z, and what it costs.
 *
 * The scalars of a model's items at z, the costly ones exact or from the parabolas that stand in
 * for them, and from these the log density of the evidence and z together. */
#ifndef TRUEWOUND_INTEGRAND_H
#define TRUEWOUND_INTEGRAND_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/parabola.h"
#include "analyze/infer/weigh.h"

struct integrand {
    const struct weigh_model *model;
    size_t evaluations;       /* exact ones so far */
    struct parabola parabola; /* read only by integrand_near(), and where 'near' is set */
    bool near;                /* integrand_scalars() takes the costly items from the parabolas */
};

/* Fills scalar[model->items] at z[model->unknowns], each within +-WEIGH_FAR. False if the physics
 * has no answer there. */
bool integrand_scalars(struct integrand *f, const double *z, double *scalar);

/* The same with the costly items from the parabolas, whatever 'near' says; exact for a model that
 * has no costly items. */
bool integrand_near(struct integrand *f, const double *z, double *scalar);

/* The same of the items that are not costly, by a model that has quick(); the costly ones of scalar
 * are the caller's, and must be numbers. */
bool integrand_quick(const struct weigh_model *m, const double *z, double *scalar);

/* Probability beforehand that the item is a mistake, 0 if the model knows of none. */
double integrand_mistake(const struct weigh_model *m, size_t item);

/* Log density of the evidence and z when exactly the items of mistaken[] are mistakes. */
double integrand_joint(const struct weigh_model *m, const bool *mistaken, const double *z,
                       const double *scalar);

/* Log density of the evidence and z over every way the items may be sound or mistaken. share[i],
 * when not NULL, gets the probability that item i is a mistake at this z. */
double integrand_mixture(const struct weigh_model *m, const double *z, const double *scalar,
                         double *share);

#endif
