/** Made by vite.config.ts. */
declare module "virtual:third-party-notices" {
  /** Licences of the code of others that is in the page. */
  export const notices: string;
}
