/* circuit: a nonlinear magnetic network of iron branches and air permeances.
 *
 * Nodes have magnetic potentials in A. Node CIRCUIT_SPACE is the space far away, at potential zero.
 * An air permeance P carries the flux P (u_i - u_j). An iron branch of length l and section a, with
 * an ampere-turn source m along it, carries a B(H), H = (u_i - u_j + m) / l. The fluxes balance at
 * every node where the network's coenergy is least; it is convex in the potentials, so there is
 * one solution and Newton's method with a bracketed step length finds it from any start.
 *
 * The struct is open so that a caller can keep it in a workspace; nothing is allocated by a solve.
 */
#ifndef TRUEWOUND_CIRCUIT_H
#define TRUEWOUND_CIRCUIT_H

#include <stdbool.h>

#include "analyze/model/iron.h"
#include "db/status.h"

#define CIRCUIT_NODES     32
#define CIRCUIT_BRANCHES  48
#define CIRCUIT_SPACE     (-1)
#define CIRCUIT_TOLERANCE 1e-9 /* greatest unbalanced flux over the greatest flux of a branch */

/* One iron branch from node i to node j. */
struct circuit_branch {
    int i, j;
    double area, length; /* m2, m */
    double mmf;          /* A, drives flux from i to j */
    const struct iron *iron;
    double h_scale; /* multiplies H at given B */
    /* When coercivity is above 0 the branch is magnetised iron coming down from saturation:
     * B = mu0 H + (2/pi) saturation atan((H + coercivity) / width), the normal curve unused.
     * remanence carries the sign of the magnetisation; coercivity has no sign. */
    double remanence, coercivity, saturation;
    double offset; /* Wb, carried from i to j beside the iron whatever H; 0 unless set */
    /* Filled by circuit_solve(). */
    double h, b, flux; /* A/m, T, Wb in the iron */
    double slope;      /* dB/dH, H/m */
};

struct circuit {
    int nodes, branches;
    double air[CIRCUIT_NODES][CIRCUIT_NODES]; /* permeance matrix: flux out = air u; symmetric */
    struct circuit_branch branch[CIRCUIT_BRANCHES];
    /* Filled by circuit_solve(). */
    double u[CIRCUIT_NODES]; /* A */
    int iterations;
    double residual;
    double factor[CIRCUIT_NODES][CIRCUIT_NODES]; /* Cholesky factor of the last Jacobian */
    double inverse_diagonal[CIRCUIT_NODES];
    void *finder; /* GSL root finder, from circuit_open() */
};

/* Prepares *c for use (allocates the root finder); circuit_close() frees it. */
enum status_code circuit_open(struct circuit *c, struct status *st);
void circuit_close(struct circuit *c);

/* Empties the network and gives it `nodes` nodes (1 to CIRCUIT_NODES). */
void circuit_clear(struct circuit *c, int nodes);

/* Adds an air permeance (H, any finite value that leaves the whole positive) between two nodes,
 * either of which may be CIRCUIT_SPACE. */
void circuit_air(struct circuit *c, int i, int j, double permeance);

/* Adds an iron branch; area and length above 0, h_scale above 0. Returns it for further settings,
 * or NULL if there is no room. */
struct circuit_branch *circuit_iron(struct circuit *c, int i, int j, const struct iron *iron,
                                    double h_scale, double area, double length, double mmf);

/* Finds the potentials. Every node must be joined, through air or iron, to CIRCUIT_SPACE or to a
 * node held by circuit_air() to it. Fails with STATUS_NUMERIC if the balance is not reached. */
enum status_code circuit_solve(struct circuit *c, struct status *st);

/* After a solve: the change of the potentials, du in A, when each branch's source changes by
 * dmmf[branch] in A and its offset by doffset[branch] in Wb, to first order. */
void circuit_respond(const struct circuit *c, const double *dmmf, const double *doffset,
                     double *du);

/* After a solve: coenergy in J of the air and iron. */
double circuit_coenergy(const struct circuit *c);

#endif
