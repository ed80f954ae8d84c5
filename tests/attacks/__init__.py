"""What somebody tries who means harm, or who is only broken: each must fail, and leave everybody else as they were."""
